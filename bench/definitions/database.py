"""Message definitions as plain data: what the rest of the package needs of a DBC file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from bench.core.errors import Complaint


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
