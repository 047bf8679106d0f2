"""Message definitions as plain data: what the rest of the package needs of a DBC file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

from bench.core.errors import Complaint, DefinitionError

from .find import read_text
from .lint import SourceLines, lint_dbc

NOT_A_MESSAGE = "VECTOR__INDEPENDENT_SIG_MSG"  # the format's place for signals without a message


@dataclass(frozen=True, slots=True)
class Field:
    """One signal's place in a message and its scale: value = raw * scale + offset.

    `start` counts as in the DBC. `shift`: bits to shift the whole payload, read as an integer in
    the signal's byte order, to the right. `lo`, `hi`: raw limits, None where the file gives none.
    `selectors`: multiplexer fields with the raw values under which this signal is present.
    """

    message: str
    name: str
    start: int
    size: int
    big: bool
    signed: bool
    scale: float
    offset: float
    shift: int
    lo: int | None = None
    hi: int | None = None
    is_float: bool = False
    selectors: tuple[tuple[Field, frozenset[int]], ...] = ()

    @property
    def full_name(self) -> str:
        return f"{self.message}.{self.name}"

    @property
    def mask(self) -> int:
        return (1 << self.size) - 1

    def take(self, data: bytes) -> int:
        """The raw value out of a payload of the right length."""
        raw = (int.from_bytes(data, "big" if self.big else "little") >> self.shift) & self.mask
        sign = 1 << (self.size - 1)
        return (raw ^ sign) - sign if self.signed else raw

    def raw_limits(self) -> tuple[int, int]:
        """Lowest and highest raw value that the size and sign allow."""
        if self.signed:
            return -(1 << (self.size - 1)), (1 << (self.size - 1)) - 1
        return 0, self.mask


@dataclass(frozen=True, slots=True)
class DbMessage:
    """One message. `cycle_ms`, `spacing_ms`: None where the file gives none or 0."""

    name: str
    can_id: int
    extended: bool
    length: int
    cycle_ms: float | None
    spacing_ms: float | None
    on_event: bool
    fields: Mapping[str, Field]
    selector: str | None
    line: int | None


@dataclass(frozen=True, slots=True)
class Database:
    """All messages of one file."""

    path: str
    messages: Mapping[str, DbMessage]
    warnings: tuple[Complaint, ...] = ()
    holders: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # signal -> messages that have it


def shift_of(start: int, size: int, big: bool, length: int) -> int:
    """Right shift of the payload read as an integer in the signal's byte order.

    A big-endian signal's start is its most significant bit, bit 7 of a byte first (the DBC
    format's sawtooth counting).
    """
    if not big:
        return start
    first = start // 8 * 8 + 7 - start % 8
    return length * 8 - first - size


@lru_cache(maxsize=16)
def _load(path: Path, stamp: tuple[int, int]) -> Database:
    text = read_text(path)
    lines, complaints = lint_dbc(text, str(path))
    errors = [c for c in complaints if c.severity == "error"]
    if errors:
        raise DefinitionError(errors)
    return _from_cantools(_parse(text, str(path)), str(path), lines, tuple(complaints))


def load_database(path: Path) -> Database:
    """Lints, then loads a DBC file.

    **Raises:** DefinitionError with every complaint, each with its line.
    """
    try:
        stat = path.stat()
    except OSError as e:
        raise DefinitionError(Complaint(f"cannot be read: {e.strerror}", path=str(path))) from e
    return _load(path.resolve(), (stat.st_mtime_ns, stat.st_size))


def _parse(text: str, path: str) -> Any:
    import cantools  # slow to import, needed only here

    known = (cantools.Error, LookupError, ValueError, TypeError, AttributeError, ArithmeticError)
    try:
        return cantools.database.load_string(text, database_format="dbc", strict=True)
    except known as e:
        line = next((int(w.rstrip(",")) for a, w in _pairs(str(e)) if a == "line" and w.rstrip(",").isdigit()), None)
        said = str(e).splitlines()[0] if str(e) else type(e).__name__
        raise DefinitionError(
            Complaint(f"the message definitions cannot be read: {said}", path=path, line=line)
        ) from e


def _pairs(text: str) -> list[tuple[str, str]]:
    words = text.split()
    return list(zip(words, words[1:], strict=False))


def _from_cantools(db: Any, path: str, lines: SourceLines, warnings: tuple[Complaint, ...]) -> Database:
    messages = {m.name: _message(m, lines) for m in db.messages if m.name != NOT_A_MESSAGE}
    holders: dict[str, list[str]] = {}
    for m in messages.values():
        for name in m.fields:
            holders.setdefault(name, []).append(m.name)
    return Database(path, messages, warnings, {k: tuple(v) for k, v in holders.items()})


def _attribute(message: Any, name: str) -> Any:
    attributes = message.dbc.attributes if message.dbc is not None else {}
    return attributes[name].value if name in attributes else None


def _message(m: Any, lines: SourceLines) -> DbMessage:
    plain = {s.name: s for s in m.signals}
    made: dict[str, Field] = {}

    def make(name: str) -> Field:
        if name not in made:
            made[name] = _field(m, plain[name], make)
        return made[name]

    fields = {name: make(name) for name in plain}
    selector = next((s.name for s in m.signals if s.is_multiplexer and not s.multiplexer_signal), None)
    spacing = _attribute(m, "GenMsgDelayTime")
    return DbMessage(
        name=m.name,
        can_id=m.frame_id,
        extended=m.is_extended_frame,
        length=m.length,
        cycle_ms=float(m.cycle_time) if m.cycle_time else None,
        spacing_ms=float(spacing) if spacing else None,
        on_event="event" in str(m.send_type or "").lower(),
        fields=fields,
        selector=selector,
        line=lines.messages.get(m.name),
    )


def _field(m: Any, s: Any, make: Any) -> Field:
    selectors: tuple[tuple[Field, frozenset[int]], ...] = ()
    if s.multiplexer_signal:
        parent = make(s.multiplexer_signal)
        selectors = (*parent.selectors, (parent, frozenset(s.multiplexer_ids or ())))
    big = s.byte_order == "big_endian"
    scale, offset = float(s.scale), float(s.offset)
    lo, hi = _raw_range(s.minimum, s.maximum, scale, offset)
    return Field(
        message=m.name, name=s.name, start=s.start, size=s.length, big=big, signed=s.is_signed,
        scale=scale, offset=offset, shift=shift_of(s.start, s.length, big, m.length), lo=lo, hi=hi,
        is_float=s.is_float, selectors=selectors,
    )  # fmt: skip


def _raw_range(lo: float | None, hi: float | None, scale: float, offset: float) -> tuple[int | None, int | None]:
    """Physical limits as raw ones, rounded outwards only by what binary fractions lose."""
    import math

    ends = [None if v is None else (float(v) - offset) / scale for v in (lo, hi)]
    if scale < 0:
        ends.reverse()
    low, high = ends
    return (
        None if low is None else math.ceil(low - 1e-6),
        None if high is None else math.floor(high + 1e-6),
    )
