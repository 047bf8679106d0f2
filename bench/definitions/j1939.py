"""Fields of a 29-bit identifier as SAE J1939-21 lays them out.

Priority bits 28-26; parameter group number bits 25-8 (reserved 25, data page 24, PDU format 23-16,
PDU specific 15-8); source address 7-0. **Source:** SAE J1939-21, as in the Linux kernel's j1939.rst.
"""

from __future__ import annotations

from typing import NamedTuple

from bench.core.errors import DefinitionError

PDU2_FROM = 240  # PDU formats below address a destination in PDU specific
PROPRIETARY_A, PROPRIETARY_A2 = 0xEF00, 0x1EF00
PROPRIETARY_B = range(0xFF00, 0x10000)
PROPRIETARY_B_PAGE_1 = range(0x1FF00, 0x20000)
IDLE_ADDRESS, GLOBAL_ADDRESS, MAX_UNICAST_ADDRESS = 0xFE, 0xFF, 0xFD


class Identifier(NamedTuple):
    """`destination` is None for a broadcast (PDU2) group."""

    priority: int
    pgn: int
    source: int
    destination: int | None = None


def unpack(can_id: int) -> Identifier:
    """The fields of a 29-bit identifier.

    **Raises:** DefinitionError when it has more bits.
    """
    if not 0 <= can_id <= 0x1FFFFFFF:
        raise DefinitionError(f"{can_id:#x} is not a 29-bit identifier")
    priority, pgn, source = can_id >> 26, can_id >> 8 & 0x3FFFF, can_id & 0xFF
    if is_broadcast(pgn):
        return Identifier(priority, pgn, source)
    return Identifier(priority, pgn & 0x3FF00, source, pgn & 0xFF)


def pack(identifier: Identifier) -> int:
    """The 29-bit identifier of these fields.

    **Raises:** DefinitionError for a field outside its range, a destination where the group is a
    broadcast, none where it is not, or a destination's bits inside the group's number.
    """
    priority, pgn, source, destination = identifier
    for name, value, top in (("priority", priority, 7), ("pgn", pgn, 0x3FFFF), ("source", source, 0xFF)):
        if not 0 <= value <= top:
            raise DefinitionError(f"{name} is {value:#x}, expected 0 to {top:#x}")
    if is_broadcast(pgn):
        if destination is not None:
            raise DefinitionError(f"group {pgn:#x} is a broadcast: it has no destination")
        return priority << 26 | pgn << 8 | source
    if destination is None or not 0 <= destination <= 0xFF:
        raise DefinitionError(f"group {pgn:#x} needs a destination address, 0 to 0xff")
    if pgn & 0xFF:
        raise DefinitionError(f"group {pgn:#x} addresses a destination: its low byte must be 0")
    return priority << 26 | (pgn | destination) << 8 | source


def is_broadcast(pgn: int) -> bool:
    """Whether a group has PDU format 240 or more, and so no destination."""
    return pgn >> 8 & 0xFF >= PDU2_FROM


def is_proprietary(pgn: int) -> bool:
    """Whether a group is one of those left to makers."""
    ranges = pgn in PROPRIETARY_B or pgn in PROPRIETARY_B_PAGE_1
    return ranges or pgn in (PROPRIETARY_A, PROPRIETARY_A2)
