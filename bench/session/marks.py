"""Marks (entries that are not frames) as lines of JSON, both ways, strictly.

A line is `{"kind": ..., "after_frames": N, "t_ns": ..., ...}`: N frames of the recording come
before it. The last line of a whole session is the end mark, `{"kind": "end", "frames": N, "marks": M}`.
"""

from __future__ import annotations

import json
from typing import Any, NamedTuple, NoReturn, get_type_hints

from bench.core.entry import KIND_OF, MARKS, Alive, Confirmed, Mark

from .candump import BadLineError

_FIELDS: dict[str, dict[str, Any]] = {kind: get_type_hints(cls) for kind, cls in MARKS.items()}
_DEFAULTS: dict[str, dict[str, Any]] = {kind: cls._field_defaults for kind, cls in MARKS.items()}
_encode = json.JSONEncoder(ensure_ascii=True, allow_nan=False, separators=(",", ":")).encode


class EndMark(NamedTuple):
    """The last line of a session that was closed in order, with what it must hold."""

    frames: int
    marks: int


def format_mark(mark: Mark, after_frames: int) -> str:
    """The line of a mark, with line end. Raises ValueError for NaN or infinity."""
    if type(mark) is Alive:
        return f'{{"kind":"alive","after_frames":{after_frames},"t_ns":{mark.t_ns}}}\n'
    if type(mark) is Confirmed:
        return f'{{"kind":"confirmed","after_frames":{after_frames},"t_ns":{mark.t_ns},"tag":{mark.tag}}}\n'
    return _encode({"kind": KIND_OF[type(mark)], "after_frames": after_frames, **mark._asdict()}) + "\n"


def format_end(frames: int, marks: int) -> str:
    """The end mark's line."""
    return f'{{"kind":"end","frames":{frames},"marks":{marks}}}\n'


def parse_mark(line: bytes) -> tuple[int, Mark] | EndMark:
    """(frames before it, mark) of one line. Raises BadLineError with the reason."""
    try:
        item = _decode(line.decode())
    except BadLineError:
        raise
    except (ValueError, RecursionError) as e:
        raise BadLineError(f"not a line of JSON: {e}") from e
    if not isinstance(item, dict):
        raise BadLineError("not a JSON object")
    kind = item.pop("kind", None)
    if kind == "end":
        _check(item, {"frames": int, "marks": int}, {})
        return EndMark(item["frames"], item["marks"])
    if not isinstance(kind, str) or kind not in MARKS:
        raise BadLineError(f"unknown kind of mark {kind!r}, expected one of {', '.join(MARKS)} or end")
    _check(item, {"after_frames": int, **_FIELDS[kind]}, _DEFAULTS[kind])
    after_frames: int = item.pop("after_frames")
    if after_frames < 0:
        raise BadLineError("after_frames is negative")
    return after_frames, MARKS[kind](**item)


def _check(item: dict[str, Any], fields: dict[str, Any], defaults: dict[str, Any]) -> None:
    for name in item:
        if name not in fields:
            raise BadLineError(f"unknown key {name!r}, expected {', '.join(fields)}")
    for name, wanted in fields.items():
        if name not in item:
            if name not in defaults:
                raise BadLineError(f"key {name!r} is missing")
        elif wanted is float and type(item[name]) is int:
            item[name] = float(item[name])
        elif type(item[name]) is not wanted:
            raise BadLineError(f"{name} is {item[name]!r}, expected {wanted.__name__}")


def _no_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    item = dict(pairs)
    if len(item) != len(pairs):
        raise BadLineError("a key stands twice")
    return item


def _no_constant(text: str) -> NoReturn:
    raise BadLineError(f"{text} is no number that a mark can hold")


_decode = json.JSONDecoder(parse_constant=_no_constant, object_pairs_hook=_no_twice).decode
