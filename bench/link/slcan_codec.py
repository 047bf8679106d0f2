"""Serial-line CAN text, the bench's side of the wire. Sans-IO: bytes in, items out.

Source: LAWICEL ASCII protocol as in python-can 4.6.1 can/interfaces/slcan.py (frames, S codes,
CR and BEL) and can-utils slcan_attach.c (S codes); the trailing time stamp of four digits from memory.
Whatever is not understood is one Garbage item, and reading goes on after the next CR or BEL.
"""

from __future__ import annotations

import re
from binascii import unhexlify
from typing import NamedTuple

CR, BEL = b"\r", b"\x07"
LONGEST = 64  # the longest line of ours has 31 characters; more without an end is garbage
BITRATE_CODES = {
    10_000: "S0",
    20_000: "S1",
    50_000: "S2",
    100_000: "S3",
    125_000: "S4",
    250_000: "S5",
    500_000: "S6",
    1_000_000: "S8",
}  # S7 is missing on purpose: python-can takes it for 750 kbit/s, can-utils for 800


class Received(NamedTuple):
    """A frame from the bus. `device_ms`: the adapter's own stamp, 0..59999, where it sends one."""

    can_id: int
    data: bytes
    extended: bool
    remote: bool = False
    dlc: int | None = None
    device_ms: int | None = None


class Done(NamedTuple):
    """The adapter did what it was told; `text` is empty, or z / Z after a send."""

    text: str


class Refusal(NamedTuple):
    """The adapter answered BEL."""


class Reply(NamedTuple):
    """An answer with content: V version, N serial number, F status flags."""

    text: str


class Garbage(NamedTuple):
    """Bytes that are no line of the protocol; at most the first 64 of them."""

    data: bytes


Item = Received | Done | Refusal | Reply | Garbage

_LONG = re.compile(rb"T([01][0-9A-Fa-f]{7})([0-8])([0-9A-Fa-f]*)").fullmatch
_FULL = re.compile(rb"(?:T[01][0-9A-Fa-f]{7}8[0-9A-Fa-f]{16}\r)*").match
FULL_LENGTH = 27  # of a line of an extended frame with 8 bytes of data, its CR included
_SHORT = re.compile(rb"t([0-7][0-9A-Fa-f]{2})([0-8])([0-9A-Fa-f]*)").fullmatch
_REMOTE = re.compile(rb"(?:R([01][0-9A-Fa-f]{7})|r([0-7][0-9A-Fa-f]{2}))([0-8])([0-9A-Fa-f]{4})?").fullmatch
_REPLY = re.compile(rb"[VNFv][0-9A-Za-z]{1,32}").fullmatch
_DONE = {b"": Done(""), b"z": Done("z"), b"Z": Done("Z")}
_REFUSAL = Refusal()
_new = tuple.__new__


class Decoder:
    """Cuts the byte stream into items. Never raises."""

    def __init__(self) -> None:
        self._rest = b""
        self._skipping = False

    def feed(self, data: bytes) -> list[Item]:
        """Items completed by these bytes, in order."""
        items: list[Item] = []
        parts = (self._rest + data).split(CR)
        self._rest = parts.pop()
        for line in parts:
            if BEL in line:
                line = self._bells(line, items)
            if self._skipping:
                self._skipping = False
            else:
                items.append(decode_line(line))
        if BEL in self._rest:
            self._rest = self._bells(self._rest, items)
        if len(self._rest) > LONGEST:
            if not self._skipping:
                items.append(Garbage(self._rest[:LONGEST]))
            self._rest, self._skipping = b"", True
        return items

    def split(self, data: bytes) -> tuple[bytes, bytes]:
        """(full, other): what waited and this, cut after as many lines of extended frames of 8 bytes as it
        begins with, which are most of a busy bus; `other` is to be fed."""
        if self._skipping:
            return b"", data
        whole = self._rest + data
        match = _FULL(whole)
        if match is None or not (end := match.end()):
            return b"", data
        self._rest = b""
        return whole[:end], whole[end:]

    def _bells(self, line: bytes, items: list[Item]) -> bytes:
        """Handle the BELs inside a line; what follows the last one is the line."""
        *cut, line = line.split(BEL)
        for torn in cut:
            if torn and not self._skipping:
                items.append(Garbage(torn[:LONGEST]))
            self._skipping = False
            items.append(_REFUSAL)
        return line


def decode_line(line: bytes) -> Item:
    """The item of one line without its CR."""
    if (done := _DONE.get(line)) is not None:
        return done
    if match := _LONG(line):
        can_id, length, digits = match.groups()
        data = _data(digits, int(length))
        return Garbage(line[:LONGEST]) if data is None else _received(int(can_id, 16), data, extended=True)
    if match := _SHORT(line):
        can_id, length, digits = match.groups()
        data = _data(digits, int(length))
        if data is not None:
            return _received(int(can_id, 16), data, extended=False)
    elif match := _REMOTE(line):
        long_id, short_id, length, stamp = match.groups()
        device_ms = None if stamp is None else int(stamp, 16)
        return Received(
            int(long_id or short_id, 16), b"", bool(long_id), True, int(length) or None, device_ms
        )
    elif _REPLY(line):
        return Reply(line.decode("ascii"))
    return Garbage(line[:LONGEST])


def _received(can_id: int, data: tuple[bytes, int | None], *, extended: bool) -> Received:
    return _new(Received, (can_id, data[0], extended, False, None, data[1]))


def full_frames(full: bytes) -> list[tuple[int, bytes]]:
    """Identifier and data of each line of `Decoder.split`'s first part."""
    places = range(0, len(full), FULL_LENGTH)
    return [(int(full[k + 1 : k + 9], 16), unhexlify(full[k + 10 : k + 26])) for k in places]


def _data(digits: bytes, length: int) -> tuple[bytes, int | None] | None:
    """Data bytes and the adapter's stamp; None when the length does not fit."""
    spare = len(digits) - 2 * length
    if spare == 0:
        return unhexlify(digits), None
    if spare == 4:
        return unhexlify(digits[:-4]), int(digits[-4:], 16)
    return None


def encode_frame(
    can_id: int, data: bytes, *, extended: bool = True, remote: bool = False, dlc: int = 0
) -> bytes:
    """The command that sends a frame. Raises ValueError for what the protocol cannot say."""
    limit = 0x1FFFFFFF if extended else 0x7FF
    if not 0 <= can_id <= limit:
        raise ValueError(f"identifier {can_id:X} is above {limit:X}")
    if len(data) > 8 or not 0 <= dlc <= 8 or (remote and data):
        raise ValueError(f"{len(data)} data bytes, length code {dlc}, remote {remote}: no classic frame")
    head = f"{can_id:08X}" if extended else f"{can_id:03X}"
    letter = ("R" if extended else "r") if remote else ("T" if extended else "t")
    length = dlc if remote else len(data)
    return f"{letter}{head}{length}{data.hex().upper()}\r".encode("ascii")
