"""Columns to candump text, many lines at a time; what has no common shape goes line by line.

The lines are laid out by their lengths and filled with overlapping 64-bit words from left to right: each
word may write a little beyond its own place, and what belongs there is written after it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bench.core.errors import InternalError
from bench.core.frame import Frame

from .candump import ERROR_FLAG, MAX_SECONDS, MAX_STANDARD, format_body, format_frame, format_head
from .columns import DATA, ERROR, EXTENDED, Bits64, Columns, Truths
from .words import U

_HEX = np.array([int.from_bytes(b"%02X" % n, "little") for n in range(256)], np.uint16)
_FOUR = np.array([int.from_bytes(b"%04d" % n, "little") for n in range(10_000)], np.uint32)
_STAMP = 20  # characters of `(1436509052.249713) `
_LONGEST_NAME = 15
_WAYS = np.array([int.from_bytes(b" R\n\0", "little"), int.from_bytes(b" T\n\0", "little")], np.uint32)
_SLACK = 16
Places = NDArray[np.int64]


def format_line(frame: Frame) -> str:
    """The line of any frame, with line end; with nine decimals when its stamp needs them.

    Raises: InternalError for a frame that candump text cannot hold.
    """
    seconds, rest_ns = divmod(frame.t_ns, 1_000_000_000)
    if not rest_ns % 1000:
        return format_frame(frame)
    if not 0 <= seconds <= MAX_SECONDS:
        raise InternalError(f"stamp {frame.t_ns} ns cannot be written")
    head = format_head(frame.can_id, frame.extended, frame.error, frame.bus)
    return f"({seconds:010d}.{rest_ns:09d}){head}{format_body(frame)} {frame.direction}\n"


def text_of(columns: Columns) -> memoryview:
    """The lines of all rows, one behind the other. Marks are not written.

    Raises: InternalError for a frame that candump text cannot hold.
    """
    us = columns.t_ns // 1000
    plain = _plain(columns, us)
    odd: list[int] = np.flatnonzero(~plain).tolist()
    texts = [format_line(columns.frame(row)).encode("ascii") for row in odd]
    names = [name.encode("ascii", "replace") + b" " for name in columns.buses] or [b" "]
    name_sizes = np.array([len(name) for name in names], np.int64)
    bus = np.minimum(columns.bus, len(names) - 1)
    is_long = columns.can_id >= np.uint32(EXTENDED)
    shown = columns.length.astype(np.int64) * 2
    heads = _STAMP + name_sizes[bus] + np.where(is_long, 9, 4)
    sizes = heads + shown + 3
    sizes[odd] = [len(text) for text in texts]
    ends = np.cumsum(sizes)
    total = int(ends[-1]) if ends.size else 0
    page = _Page(total)
    if not odd:
        page.write(columns, us, ends - sizes, heads, shown, names, bus, is_long)
    elif len(odd) < len(columns):
        rows = np.flatnonzero(plain)
        some = columns.rows(rows)
        page.write(
            some, us[rows], (ends - sizes)[rows], heads[rows], shown[rows], names, bus[rows], is_long[rows]
        )
    out = memoryview(page.text)
    for end, text in zip(ends[odd].tolist(), texts, strict=True):
        out[end - len(text) : end] = text
    return out[:total]


def _plain(columns: Columns, us: Places) -> Truths:
    """Rows of the common shape, all parts of which are in range."""
    ids = columns.can_id
    plain: Truths = (columns.kind == DATA) | (columns.kind == ERROR)
    plain &= (us >= 0) & (us < (MAX_SECONDS + 1) * 1_000_000) & (us * 1000 == columns.t_ns)
    plain &= columns.length <= 8
    plain &= (ids >= np.uint32(EXTENDED)) | (ids <= MAX_STANDARD)
    plain &= (ids & np.uint32(0x60000000)) == 0
    fits = [
        0 < len(n) < _LONGEST_NAME and n.isascii() and n.isprintable() and " " not in n for n in columns.buses
    ]
    plain &= np.array([*fits, *[False] * (256 - len(fits))])[columns.bus]
    plain[list(columns.others)] = False
    return plain


class _Page:
    """Text in the making."""

    def __init__(self, size: int) -> None:
        self.text = bytearray(size + _SLACK)
        self._bytes = np.frombuffer(self.text, np.uint8)
        self._words: Bits64 = np.ndarray((size + _SLACK - 7,), "<u8", self.text, strides=(1,))
        self._halves: NDArray[np.uint32] = np.ndarray((size + _SLACK - 3,), "<u4", self.text, strides=(1,))

    def write(
        self,
        columns: Columns,
        us: Places,
        starts: Places,
        heads: Places,
        shown: Places,
        names: list[bytes],
        bus: NDArray[np.uint8],
        is_long: Truths,
    ) -> None:
        """`starts` of lines; `heads`: characters up to the `#`; `shown`: characters of data."""
        words = self._words
        data_at = starts + heads
        self._names(starts + _STAMP, names, bus)
        self._identifiers(columns, data_at, is_long)
        self._bytes[data_at - 1] = 35
        data = _HEX[columns.payload].view("<u8").reshape(-1, 2)
        words[data_at] = data[:, 0]
        if int(columns.length.max(initial=0)) > 4:
            words[data_at + 8] = data[:, 1]
        self._halves[data_at + shown] = _WAYS[columns.sent.view(np.uint8)]
        upper = us // 100_000_000
        first, second = _eight(upper), _eight(us - upper * 100_000_000)
        words[starts] = (first << U(8)) | U(ord("("))
        middle = (first >> U(56)) | ((second & U(0xFFFF)) << U(8)) | U(ord(".") << 24)
        words[starts + 8] = middle | ((second >> U(16)) << U(32))
        words[starts + 12] = (second >> U(16)) | U(ord(")") << 48 | ord(" ") << 56)

    def _names(self, at: Places, names: list[bytes], bus: NDArray[np.uint8]) -> None:
        low = np.array([int.from_bytes(name[:8], "little") for name in names], np.uint64)
        self._words[at] = low[bus]
        if max(map(len, names)) > 8:
            high = np.array([int.from_bytes(name[8:16], "little") for name in names], np.uint64)
            self._words[at + 8] = high[bus]

    def _identifiers(self, columns: Columns, data_at: Places, is_long: Truths) -> None:
        ids = columns.can_id & np.uint32(0x1FFFFFFF)
        ids |= np.where(columns.kind == ERROR, np.uint32(ERROR_FLAG), np.uint32(0))
        shown = _HEX[ids.astype(">u4").view(np.uint8).reshape(-1, 4)].view("<u8").ravel()
        if is_long.all():
            self._words[data_at - 9] = shown
        else:
            self._words[data_at - np.where(is_long, 9, 4)] = np.where(is_long, shown, shown >> U(40))


def _eight(numbers: Places) -> Bits64:
    """Eight decimal digits of each, the first one lowest."""
    upper = numbers // 10_000
    lower = numbers - upper * 10_000
    made: Bits64 = _FOUR[upper].astype(np.uint64) | (_FOUR[lower].astype(np.uint64) << U(32))
    return made
