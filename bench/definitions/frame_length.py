"""How many bits a classic CAN frame takes on the bus, interframe space of 3 bits included.

Stuffable: start 1, identifier 11 or 11 + SRR + IDE + 18, RTR, reserved bits, length code 4, data, CRC 15.
Not stuffable: CRC delimiter, acknowledge 2, end of frame 7, interframe space 3 (13 bits).
**Source:** ISO 11898-1 frame format; worst case: Davis, Burns, Bril, Lukkien 2007, equations (1) to (3).
"""

from __future__ import annotations

from typing import NamedTuple

CRC_POLYNOMIAL = 0x4599  # x^15 + x^14 + x^10 + x^8 + x^7 + x^4 + x^3 + 1, starting from 0
_TAIL_BITS = 13


class FrameBits(NamedTuple):
    """Bits of one frame on the bus: `total` holds `stuff`; `crc` is its 15-bit checksum."""

    total: int
    stuff: int
    crc: int


def nominal_bits(data_bytes: int, *, extended: bool) -> int:
    """Bits without any stuff bit: 47 or 67 plus 8 a data byte."""
    return _stuffable(data_bytes, extended=extended) + _TAIL_BITS


def worst_case_bits(data_bytes: int, *, extended: bool) -> int:
    """Bits with as many stuff bits as there could be: 55 or 80 plus 10 a data byte."""
    stuffable = _stuffable(data_bytes, extended=extended)
    return stuffable + _TAIL_BITS + (stuffable - 1) // 4


def _stuffable(data_bytes: int, *, extended: bool) -> int:
    if not 0 <= data_bytes <= 8:
        raise ValueError(f"a classic frame has 0 to 8 data bytes, not {data_bytes}")
    return (54 if extended else 34) + 8 * data_bytes


def exact_bits(
    can_id: int, data: bytes, *, extended: bool, remote: bool = False, remote_dlc: int = 0
) -> FrameBits:
    """Bits of this very frame. A remote frame has no data field, whatever its length code says."""
    head = _head(can_id, len(data) if not remote else remote_dlc, extended=extended, remote=remote)
    bits = head + ([] if remote else [b >> k & 1 for b in data for k in range(7, -1, -1)])
    crc = crc15(bits)
    stuff = _stuff_bits(bits + _bits(crc, 15))
    nominal = nominal_bits(0 if remote else len(data), extended=extended)
    return FrameBits(nominal + stuff, stuff, crc)


def frame_bits(can_id: int, data: bytes, *, extended: bool) -> list[int]:
    """Bits from start of frame to the end of the data, before stuffing."""
    head = _head(can_id, len(data), extended=extended, remote=False)
    return head + [b >> k & 1 for b in data for k in range(7, -1, -1)]


def crc15(bits: list[int]) -> int:
    """The CAN checksum over bits, most significant first."""
    crc = 0
    for bit in bits:
        top = crc >> 14 & 1
        crc = crc << 1 & 0x7FFF
        if top ^ bit:
            crc ^= CRC_POLYNOMIAL
    return crc


def _bits(value: int, width: int) -> list[int]:
    return [value >> k & 1 for k in range(width - 1, -1, -1)]


def _head(can_id: int, dlc: int, *, extended: bool, remote: bool) -> list[int]:
    if not extended:
        return [0, *_bits(can_id, 11), int(remote), 0, 0, *_bits(dlc, 4)]
    return [0, *_bits(can_id >> 18, 11), 1, 1, *_bits(can_id, 18), int(remote), 0, 0, *_bits(dlc, 4)]


def _stuff_bits(bits: list[int]) -> int:
    """A bit of the other value follows every five equal ones, and counts towards the next five."""
    last, run, stuffed = -1, 0, 0
    for bit in bits:
        run = run + 1 if bit == last else 1
        last = bit
        if run == 5:
            stuffed += 1
            last, run = 1 - bit, 1
    return stuffed
