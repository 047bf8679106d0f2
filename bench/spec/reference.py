"""The reference page of every key, made from the grammar: `docs/spec.md`."""

from __future__ import annotations

from collections.abc import Iterator

from . import grammar
from .profile import PROFILE
from .shapes import Shape
from .tables import ListOf, MapOf, Record, Tagged, WordOr

_HEAD = """# The spec, key by key

What a builder agreed, as a YAML file. The first key is the format's version. Unknown keys, keys that stand
twice and values outside their range are errors, each with line and column. Values are read as this page says
and never as YAML guesses: `off`, `no`, `1:30` stay text, and a number with a leading zero is refused. What a
behaviour means is in [meaning.md](meaning.md), what `check` finds beyond this page in
[rules](rules/README.md). Names are letters, digits, `_` and `-`, a letter first;
circuits, functions and sensors have name spaces of their own, and a circuit named where a function is due
means its plain toggle. Tables and lists can be shared by YAML's anchors. Examples: the boats in `bench/data`.

This page is made by `bench/spec/reference.py`; change the grammar, not the page.
"""
_PROFILE_HEAD = """# The bench profile, key by key

What stands on this bench, as a YAML file of its own, read like the spec.
"""


def reference() -> str:
    """The page, as Markdown."""
    sections = [_HEAD, *_sections("the whole", grammar.SPEC), _PROFILE_HEAD]
    sections += _sections("the whole", PROFILE, top="bench profile")
    return "\n".join(sections).rstrip() + "\n"


def _sections(title: str, record: Record, *, top: str = "") -> Iterator[str]:
    head = f"{top}: {title}" if top else title
    yield f"## {head}\n"
    if record.about:
        yield f"{record.about}\n"
    yield "| key | value | needed | meaning |\n|---|---|---|---|"
    yield from (_row(record, key) for key in record.fields)
    if record.one_of:
        yield f"\nExactly one of {_ticked(record.one_of)}."
    if record.some_of:
        yield f"\nAt least one of {_ticked(record.some_of)}."
    if record.short:
        yield f"\nA single value in place of the table means `{record.short}`."
    yield ""
    for key, field in record.fields.items():
        where = key if title == "the whole" else f"{title}.{key}"
        for name, inner in _inner(field.shape, where):
            yield from _sections(name, inner, top=top)


def _ticked(keys: tuple[str, ...]) -> str:
    return ", ".join(f"`{k}`" for k in keys)


def _row(record: Record, key: str) -> str:
    field = record.fields[key]
    words = field.shape.words().replace("|", "\\|")
    return f"| `{key}` | {words} | {_needed(record, key)} | {field.about} |"


def _needed(record: Record, key: str) -> str:
    field = record.fields[key]
    if key in record.required:
        return "yes"
    if field.needed not in (None, "no"):
        return str(field.needed)
    default = record.defaults.get(key)
    if default in (None, "") or not isinstance(default, (str, int, float)):
        return "no"
    return f"no (`{str(default).lower() if isinstance(default, bool) else default}`)"


def _inner(shape: Shape, where: str) -> Iterator[tuple[str, Record]]:
    """Records inside a shape, each with the heading it goes by."""
    if isinstance(shape, Record):
        yield where, shape
    elif isinstance(shape, WordOr):
        yield where, shape.record
    elif isinstance(shape, MapOf):
        yield from _inner(shape.value, f"{where}.NAME")
    elif isinstance(shape, ListOf):
        yield from _inner(shape.item, where)
    elif isinstance(shape, Tagged):
        for tag, record in shape.records.items():
            yield f"{where}, {tag}", record
