"""Candump text to columns: the common shape of a line with numpy, every other line by the exact parser.

Common is `(1436509052.249713) can0 18FF2021#0102 R`: ten digits and six decimals, an interface name seen
before, 3 or 8 hex digits, up to eight whole bytes, with or without suffix, with either line end. A line
counts as common only when each of its characters was checked; so both ways give the same frames.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from bench.core.frame import Frame

from .columns import ARRAYS, ELSEWHERE, EXTENDED, Bits64, Columns, Truths, empty, from_frames
from .layouts import LOG, Layout, Lost, contents
from .source import Source
from .text import BOM, LONGEST, without_end
from .words import FIRST, FIRST_OF_TWO, HIGH, ZEROS, U, from_decimal, from_hex, hex_strays, pattern, strays

CHUNK = 1 << 20
_PAD = 96
_OPEN, _POINT, _CLOSE = pattern("(9999999"), pattern("999.9999"), pattern("999999) ")
_HASH, _R, _T = ord("#"), ord("R"), ord("T")
_STANDARD = U(0x3030303030)  # five zeros before the three digits of a short identifier
_MAX_US = U(9_223_372_036_000_000)
_LONGEST_FIELD = 15
_LEARN_FROM = 16
Places = NDArray[np.intp]
Pieces = NDArray[np.void]


class Block(NamedTuple):
    """Frames of some lines, and (row, line number, what) for the lines where one is missing; such a
    line stands before that row.
    """

    columns: Columns
    lost: list[tuple[int, int, Lost]]


class _Rows(NamedTuple):
    """What the fast way makes of lines; only rows that are `ok` mean anything."""

    ok: Truths
    arrays: dict[str, NDArray[Any]]


class Scanner:
    """Reads one recording from its beginning. `numbered_lines` and `contents` say the same, slowly."""

    def __init__(self, source: Source, layout: Layout = LOG, chunk: int = CHUNK) -> None:
        self._source = source
        self._layout = layout
        self._chunk = chunk
        self._text = bytearray(b"\n" * (2 * _PAD + LONGEST + chunk))
        self._view = memoryview(self._text)
        self._bytes = np.frombuffer(self._text, np.uint8)
        size = len(self._text)
        # whatever begins at each character: a line is gathered at once, up to the end of its data
        self._heads: Pieces = np.ndarray((size - 63,), "V64", self._text, strides=(1,))
        self._bodies: Pieces = np.ndarray((size - 31,), "V32", self._text, strides=(1,))
        self._fields: dict[bytes, int] = {}  # name with padding and one space behind -> bus
        self._buses: list[str] = []
        self._line = 0  # lines that came before
        self._frames = 0

    def blocks(self) -> Iterator[Block]:
        """All of it. Raises: OSError when the disk fails."""
        held, skipping, first = 0, False, True
        view = self._view
        while got := self._source.readinto(view[_PAD + held : _PAD + held + self._chunk]):
            start, stop = _PAD, _PAD + held + got
            if first and self._text.startswith(BOM, _PAD):
                start += len(BOM)
            first = False
            if skipping:
                start = self._text.find(b"\n", start, stop) + 1
                if not start:
                    continue
                skipping = False
            end = self._text.rfind(b"\n", start, stop) + 1
            if end:
                yield self._block(start, end)
                start = end
            held = stop - start
            if held > LONGEST:
                yield self._loss(Lost(bytes(view[start : start + LONGEST]), ""), is_line=True)
                held, skipping = 0, True
            self._text[_PAD : _PAD + held] = self._text[start:stop] if held else b""
        if held:
            yield self._loss(Lost(bytes(view[_PAD : _PAD + held]), ""), is_line=False)
        if self._source.damage:
            lost = Lost(b"", self._source.damage)
            yield Block(empty(tuple(self._buses), self._frames), [(0, self._line + 1, lost)])

    def _loss(self, lost: Lost, *, is_line: bool) -> Block:
        """A block of the one line that is too long, or that the end of the file cut."""
        self._line += 1
        found = contents(lost.text, is_line, self._layout.parse)
        assert not isinstance(found, Frame)
        there = [] if found is None else [(0, self._line, found)]
        return Block(empty(tuple(self._buses), self._frames), there)

    def _block(self, start: int, stop: int) -> Block:
        ends: Places = np.flatnonzero(self._bytes[start:stop] == 10)
        ends += start
        begins = np.empty_like(ends)
        begins[0] = start
        begins[1:] = ends[:-1]
        begins[1:] += 1
        if not self._fields:
            self._learn(begins, ends, np.arange(min(ends.size, _LEARN_FROM)))
        rows = self._fast(begins, ends)
        slow: Places = np.flatnonzero(~rows.ok)
        while slow.size and self._learn(begins, ends, slow):
            again = self._fast(begins[slow], ends[slow])
            for name, array in again.arrays.items():
                rows.arrays[name][slow] = array
            rows.ok[slow] = again.ok
            slow = slow[~again.ok]
        if slow.size:
            block = self._with_slow(rows, begins, ends, slow)
        else:
            block = Block(self._columns(rows.arrays), [])
        self._line += ends.size
        self._frames += len(block.columns)
        return block

    def _columns(self, arrays: dict[str, NDArray[Any]], others: Mapping[int, Frame] | None = None) -> Columns:
        made: dict[str, Any] = arrays
        return Columns(**made, buses=tuple(self._buses), first=self._frames, others=others or {})

    def _line_at(self, begin: int, end: int) -> bytes:
        return without_end(bytes(self._view[begin:end]))

    def _with_slow(self, rows: _Rows, begins: Places, ends: Places, slow: Places) -> Block:
        """Reads the slow lines one by one and puts them in their places."""
        frames: list[Frame] = []
        at: list[int] = []  # among the lines
        losses: list[tuple[int, Lost]] = []
        keep = np.ones(begins.size, np.bool_)
        for line, begin, end in zip(slow.tolist(), begins[slow].tolist(), ends[slow].tolist(), strict=True):
            found = contents(self._line_at(begin, end), True, self._layout.parse)
            if type(found) is Frame:
                frames.append(found)
                at.append(line)
                continue
            keep[line] = False
            if isinstance(found, Lost):
                losses.append((line, found))
        read = from_frames(frames, self._buses)
        self._buses = list(read.buses)
        if frames:
            for name in ARRAYS:
                rows.arrays[name][at] = getattr(read, name)
        arrays = rows.arrays
        if not keep.all():
            kept = np.flatnonzero(keep)
            arrays = {name: array.take(kept, axis=0) for name, array in arrays.items()}
        before: Places = np.cumsum(keep) - keep  # frames before each line
        others = {int(before[at[row]]): frame for row, frame in read.others.items()}
        there = [(int(before[line]), self._line + line + 1, lost) for line, lost in losses]
        return Block(self._columns(arrays, others), there)

    def _learn(self, begins: Places, ends: Places, slow: Places) -> bool:
        """Whether one of the first slow lines is common but for an interface name not yet known."""
        if self._layout is not LOG:
            return False
        for line in slow[:_LEARN_FROM].tolist():
            text = self._line_at(int(begins[line]), int(ends[line]))
            found = contents(text, True, self._layout.parse)
            if type(found) is not Frame or text[19:20] != b" ":
                continue
            field = text[20 : text.find(found.bus.encode("ascii") + b" ", 20) + len(found.bus) + 1]
            if field.lstrip(b" ") != found.bus.encode("ascii") + b" ":
                continue
            if field in self._fields or len(field) > _LONGEST_FIELD:
                continue
            if found.bus not in self._buses:
                if len(self._buses) >= ELSEWHERE:
                    continue
                self._buses.append(found.bus)
            self._fields[field] = self._buses.index(found.bus)
            return True
        return False

    def _fast(self, begins: Places, ends: Places) -> _Rows:
        n = begins.size
        heads = self._heads[begins]
        ok, body_at, bus = self._names(heads)
        at = begins + body_at
        bodies, body_at = (heads, body_at) if isinstance(body_at, int) else (self._bodies[at], 0)
        first, second, third = (_word(heads, k) for k in (0, 8, 16))
        opening = first ^ _OPEN[0]
        if n and (opening == opening[0]).all():
            opening = opening[:1]
        middle = second ^ _POINT[0]
        closing = ((second >> U(32)) | (third << U(32))) ^ _CLOSE[0]
        stray = strays(middle, _POINT[1])
        stray |= strays(closing, _CLOSE[1])
        stray |= strays(opening, _OPEN[1])
        eight = (middle & U(0xFF)) + U(10) * from_decimal(opening)  # of the ten digits of seconds
        us = from_decimal(((middle >> U(8)) & U(0xFFFF)) | (closing << U(16)))
        us += eight * U(100_000_000)
        if n and int(eight.max()) > 92_233_719:
            ok &= us < _MAX_US
        us *= U(1000)
        data_at, can_id, data = _body(bodies, body_at, at, ok, stray)
        sizes, sent = self._ends(ends)
        sizes -= data_at
        ok &= (sizes.view(np.uint64) <= U(16)) & ((sizes & 1) == 0)
        payload = _payload(data, sizes, stray)
        stray &= HIGH
        ok &= stray == 0
        sizes >>= 1
        arrays: dict[str, NDArray[Any]] = {
            "t_ns": us.view(np.int64),
            "can_id": can_id,
            "length": sizes.astype(np.uint8),
            "payload": payload,
            "sent": sent,
            "kind": np.zeros(n, np.uint8),
            "bus": bus,
        }
        return _Rows(ok, arrays)

    def _names(self, heads: Pieces) -> tuple[Truths, Places | int, NDArray[np.uint8]]:
        """Rows whose interface name is known, where in them the identifier begins, and which bus it is."""
        n = heads.size
        ok = np.zeros(n, np.bool_)
        bus = np.zeros(n, np.uint8)
        at: Places | int = 20
        low = _word(heads, 20)
        for field, index in self._fields.items():
            size = len(field)
            here = (low & FIRST[min(size, 8)]) == U(int.from_bytes(field[:8], "little"))
            if size > 8:
                rest = U(int.from_bytes(field[8:], "little"))
                here &= (_word(heads, 28) & FIRST[size - 8]) == rest
            if len(self._fields) == 1:
                bus[:] = index
                return here, 20 + size, bus
            ok |= here
            bus[here] = index
            at = at + here * size
        return ok, at, bus

    def _ends(self, ends: Places) -> tuple[Places, Truths]:
        """Where the data ends, and whether the suffix says sent."""
        last = self._bytes[ends - 1]
        spaced = self._bytes[ends - 2] == 32
        received = spaced & (last == _R)
        if received.all():
            return ends - 2, np.zeros(ends.size, np.bool_)
        returns = last == 13
        if returns.any():
            ends = ends - returns
            last = self._bytes[ends - 1]
            spaced = self._bytes[ends - 2] == 32
            received = spaced & (last == _R)
        sent = spaced & (last == _T)
        return ends - 2 * (received | sent), sent


def _piece(texts: Pieces, at: int, size: int) -> Pieces:
    """`size` characters of each text from the same place on."""
    return np.ndarray(texts.shape, f"V{size}", texts, at, texts.strides).copy()


def _word(texts: Pieces, at: int) -> Bits64:
    return _piece(texts, at, 8).view("<u8")


def _body(
    bodies: Pieces, place: int, at: Places, ok: Truths, stray: Bits64
) -> tuple[Places, NDArray[np.uint32], Bits64]:
    """Of texts with the identifier at `place`, `at` in all the text: where the data begins, identifiers with
    bit 31 as in `Columns`, and two words a row, 16 characters of data; narrows `ok` and adds to `stray`."""
    data_at, words = at + 9, _word(bodies, place)
    data = _piece(bodies, place + 9, 16)
    fits: Truths = _piece(bodies, place + 8, 1).view(np.uint8) == _HASH
    flags = np.full(at.size, EXTENDED, np.uint32)
    most = np.full(at.size, 0x1FFF_FFFF, np.uint32)
    if not fits.all():
        short: Places = np.flatnonzero(~fits)
        words[short] = (words[short] << U(40)) | _STANDARD
        data[short] = _piece(bodies[short], place + 4, 16)
        data_at[short] -= 5
        fits[short] = _piece(bodies[short], place + 3, 1).view(np.uint8) == _HASH
        flags[short], most[short] = 0, 0x7FF
    stray |= hex_strays(words)
    ids = from_hex(words).view(">u4").astype(np.uint32)
    ok &= fits
    ok &= ids <= most
    return data_at, ids | flags, data.view("<u8").reshape(-1, 2)


def _payload(data: Bits64, sizes: Places, stray: Bits64) -> NDArray[np.uint8]:
    """Eight bytes a row of the first `sizes` of 16 characters, the rest 0; adds to `stray`."""
    less: Places = np.flatnonzero(sizes < 16)
    if less.size:
        kept = FIRST_OF_TWO.take(sizes[less], axis=0, mode="clip")
        data[less] = ((data[less] ^ ZEROS) & kept) ^ ZEROS
    odd = hex_strays(data)
    stray |= odd[:, 0]
    stray |= odd[:, 1]
    return from_hex(data).reshape(-1, 8)
