"""From a DBC file to plain data: lint, then cantools, then our own Field and DbMessage."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Protocol

from bench.core.errors import Complaint, DefinitionError

from .database import Database, DbMessage, Field, shift_of
from .find import read_text
from .lint import UNBOUND_SIGNALS, SourceLines, lint_dbc


class _Attribute(Protocol):
    value: object


class _Specifics(Protocol):
    attributes: Mapping[str, _Attribute]


class _Signal(Protocol):
    """What is used of cantools' Signal."""

    name: str
    start: int
    length: int
    byte_order: str
    is_signed: bool
    is_float: bool
    scale: float
    offset: float
    minimum: float | None
    maximum: float | None
    is_multiplexer: bool
    multiplexer_signal: str | None
    multiplexer_ids: list[int] | None


class _Message(Protocol):
    """What is used of cantools' Message."""

    name: str
    frame_id: int
    is_extended_frame: bool
    length: int
    cycle_time: int | None
    send_type: str | None
    signals: Sequence[_Signal]
    dbc: _Specifics | None


def load_database(path: Path) -> Database:
    """Lints, then loads a DBC file.

    **Raises:** DefinitionError with every complaint, each with its line.
    """
    return _load(path, read_text(path))


@lru_cache(maxsize=16)
def _load(path: Path, text: str) -> Database:
    lines, complaints = lint_dbc(text, str(path))
    errors = [c for c in complaints if c.severity == "error"]
    if errors:
        raise DefinitionError(errors)
    messages = [_message(m, lines) for m in _parse(text, str(path)) if m.name != UNBOUND_SIGNALS]
    holders: dict[str, list[str]] = {}
    for m in messages:
        for name in m.fields:
            holders.setdefault(name, []).append(m.name)
    return Database(
        str(path), {m.name: m for m in messages}, tuple(complaints), {k: tuple(v) for k, v in holders.items()}
    )


def _parse(text: str, path: str) -> Sequence[_Message]:
    import cantools  # slow to import, needed only here

    known = (cantools.Error, LookupError, ValueError, TypeError, AttributeError, ArithmeticError)
    try:
        messages: Sequence[_Message] = cantools.database.load_string(
            text, database_format="dbc", strict=True
        ).messages
    except known as e:
        said = str(e).splitlines()[0] if str(e) else type(e).__name__
        line = next(
            (int(b) for a, b in pairwise(said.replace(",", " ").split()) if a == "line" and b.isdigit()), None
        )
        raise DefinitionError(
            Complaint(f"the message definitions cannot be read: {said}", path=path, line=line)
        ) from e
    return messages


def _message(m: _Message, lines: SourceLines) -> DbMessage:
    plain = {s.name: s for s in m.signals}
    made: dict[str, Field] = {}

    def make(name: str) -> Field:
        if name not in made:
            made[name] = _field(m, plain[name], make)
        return made[name]

    spacing = m.dbc.attributes.get("GenMsgDelayTime") if m.dbc is not None else None
    return DbMessage(
        name=m.name,
        can_id=m.frame_id,
        extended=m.is_extended_frame,
        length=m.length,
        cycle_ms=float(m.cycle_time) if m.cycle_time else None,
        spacing_ms=float(str(spacing.value)) or None if spacing is not None else None,
        on_event="event" in str(m.send_type or "").lower(),
        fields={name: make(name) for name in plain},
        line=lines.messages.get(m.name),
    )


def _field(m: _Message, s: _Signal, make: Callable[[str], Field]) -> Field:
    selectors: tuple[tuple[Field, frozenset[int]], ...] = ()
    if s.multiplexer_signal:
        parent = make(s.multiplexer_signal)
        selectors = (*parent.selectors, (parent, frozenset(s.multiplexer_ids or ())))
    big = s.byte_order == "big_endian"
    scale, offset = float(s.scale), float(s.offset)
    lo, hi = _raw_range(s.minimum, s.maximum, scale, offset)
    return Field(
        message=m.name,
        name=s.name,
        start=s.start,
        size=s.length,
        big=big,
        signed=s.is_signed,
        scale=scale,
        offset=offset,
        shift=shift_of(s.start, s.length, big, m.length),
        lo=lo,
        hi=hi,
        is_float=s.is_float,
        selectors=selectors,
    )


def _raw_range(
    lo: float | None, hi: float | None, scale: float, offset: float
) -> tuple[int | None, int | None]:
    """Physical limits as raw ones; what binary fractions lose never excludes a raw value."""
    ends = [None if v is None else (float(v) - offset) / scale for v in (lo, hi)]
    if scale < 0:
        ends.reverse()
    low, high = ends
    return (
        None if low is None else math.ceil(low - _slack(low)),
        None if high is None else math.floor(high + _slack(high)),
    )


def _slack(raw: float) -> float:
    return 1e-6 + abs(raw) * 1e-12
