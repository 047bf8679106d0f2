"""Many frames of boxes at once, with numpy: the same answers as frame by frame."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from bench.core.frame import Frame
from bench.core.signal import Observation, Undecodable

from .controls import ControlReader, Several
from .database import Field
from .observers import Observer, Page, Switch
from .readings import Reading
from .words import STATE

if TYPE_CHECKING:
    from .definitions import Definitions

EXTENDED = 0x80000000  # bit 31 of an identifier marks a 29-bit one, as SocketCAN has it
Rows = NDArray[np.intp]
_U64 = np.uint64
_TABLED_BITS = 16  # fields up to this size are read through a table of all their raw values

_NOTHING = Reading("", "", False)


class Column(NamedTuple):
    """One signal's samples: row numbers in rising order, raw values, values (NaN: not available)."""

    rows: Rows
    raw: NDArray[np.int64] | NDArray[np.uint64]
    values: NDArray[np.float64]


@dataclass(slots=True)
class Bulk:
    """`columns`: signal -> samples. `undecodable`: (row, why), in order of row.

    `others`: (row, observation) of what has a text or a changing name (identity, ack).
    """

    columns: Mapping[str, Column]
    undecodable: list[tuple[int, Undecodable]]
    others: list[tuple[int, Observation]]


@dataclass(slots=True)
class _Gathered:
    parts: dict[str, list[Column]] = field(default_factory=dict)
    slow: list[Rows] = field(default_factory=list)  # rows to read frame by frame


def decode_bulk(
    definitions: Definitions,
    ids: NDArray[np.uint32],
    payloads: NDArray[np.uint8],
    lengths: NDArray[np.integer],
) -> Bulk:
    """Decodes the frames of boxes among `n` data frames; control frames are left out.

    `ids`: 29-bit identifiers with bit 31 set, 11-bit ones without. `payloads`: n x 8, bytes beyond
    the length are ignored. Remote and error frames must not be among them.
    """
    got = _Gathered()
    words = np.ascontiguousarray(payloads, dtype=np.uint8)
    little: NDArray[np.uint64] = words.view("<u8").ravel().astype(_U64, copy=False)
    for can_id, mask, extended, reader in definitions.reports:
        mask32 = np.uint32(mask | EXTENDED)
        wanted = np.uint32(can_id & mask | (EXTENDED if extended else 0))
        rows = np.flatnonzero((ids.astype(np.uint32, copy=False) & mask32) == wanted)
        if rows.size:
            fits = lengths[rows] == reader.length
            if not fits.all():
                got.slow.append(rows[~fits])
                rows = rows[fits]
            _read(got, reader, Words(rows, little[rows]))
    others, undecodable = _slowly(definitions, got, ids, words, lengths)
    return Bulk({s: _joined(parts) for s, parts in got.parts.items()}, undecodable, others)


class Words(NamedTuple):
    """The payloads of some rows, as little-endian numbers."""

    rows: Rows
    little: NDArray[np.uint64]

    def of(self, places: NDArray[np.bool_] | Rows) -> Words:
        return Words(self.rows[places], self.little[places])

    def take(self, f: Field, length: int) -> NDArray[np.int64] | NDArray[np.uint64]:
        """The raw values of a field in messages of `length` bytes."""
        shift = f.shift + 8 * (8 - length) if f.big else f.shift
        bits = ((self.little.byteswap() if f.big else self.little) >> _U64(shift)) & _U64(f.mask)
        return _signed(bits, f)


def _read(got: _Gathered, reader: Page | Switch, words: Words) -> None:
    if isinstance(reader, Page):
        _read_page(got, reader, words)
        return
    choice = words.take(reader.field, reader.length)
    left = np.ones(words.rows.size, dtype=bool)
    for raw, page in reader.pages.items():
        here = choice == raw
        left &= ~here
        if here.any():
            _read(got, page, words.of(here))
    got.slow.append(words.rows[left])


def _read_page(got: _Gathered, page: Page, words: Words) -> None:
    bad: NDArray[np.bool_] | None = None
    for o in (*page.body, *page.counters):
        raw = words.take(o.field, page.length)
        if o.field.size <= _TABLED_BITS and not o.field.signed:
            table = _table(o)
            part = Column(words.rows, raw, table.values.take(raw))
            if not table.plain and table.odd.take(raw).any():
                seen, wrong = table.seen[raw], table.wrong[raw]
                part = Column(words.rows[seen], raw[seen], part.values[seen])
                bad = wrong if bad is None else bad | wrong
        else:
            values, seen, wrong = _values(o, raw)
            part = Column(words.rows[seen], raw[seen], values[seen])
            bad = wrong if bad is None else bad | wrong
        if part.rows.size:
            got.parts.setdefault(o.signal, []).append(part)
    if page.extras:
        got.slow.append(words.rows)
    elif bad is not None:
        got.slow.append(words.rows[bad])


class _Table(NamedTuple):
    """What each raw value of a small field says; `odd`: not seen or wrong; `plain`: none of them."""

    values: NDArray[np.float64]
    seen: NDArray[np.bool_]
    wrong: NDArray[np.bool_]
    odd: NDArray[np.bool_]
    plain: bool


@lru_cache(maxsize=4096)
def _table(o: Observer) -> _Table:
    values, seen, wrong = _values(o, np.arange(1 << o.field.size, dtype=np.int64))
    odd = ~seen | wrong
    return _Table(values, seen, wrong, odd, not odd.any())


def _signed(bits: NDArray[np.uint64], f: Field) -> NDArray[np.int64] | NDArray[np.uint64]:
    if not f.signed:
        return bits if f.size == 64 else bits.view(np.int64)
    away = _U64(64 - f.size)
    return (bits << away).view(np.int64) >> np.int64(away)


def _within(raw: NDArray[np.int64] | NDArray[np.uint64], lo: int, hi: int) -> NDArray[np.bool_]:
    info = np.iinfo(raw.dtype)
    if hi < info.min or lo > info.max:
        return np.zeros(raw.size, dtype=bool)
    kind = raw.dtype.type
    if hi >= info.max:
        return raw >= kind(max(lo, int(info.min)))
    return (raw >= kind(max(lo, int(info.min)))) & (raw <= kind(hi))


def _values(
    o: Observer, raw: NDArray[np.int64] | NDArray[np.uint64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
    """Values, which rows have an observation, which rows mean nothing."""
    absent = np.zeros(raw.size, dtype=bool)
    for lo, hi in (*o.rule.not_available, *o.rule.error):
        absent |= _within(raw, lo, hi)
    if not o.rule.words:
        values = raw.astype(np.float64)
        values *= o.scale
        values += o.offset
        values[absent] = np.nan
        wrong = np.zeros(raw.size, dtype=bool)
        if o.field.lo is not None:
            wrong |= ~absent & ~_within(raw, o.field.lo, 2**64)
        if o.field.hi is not None:
            wrong |= ~absent & ~_within(raw, -(2**64), o.field.hi)
        return values, ~wrong, wrong
    values = np.full(raw.size, np.nan)
    known = np.zeros(raw.size, dtype=bool)
    for lo, hi, number in o.rule.words:
        here = _within(raw, lo, hi) & ~absent
        known |= here
        is_state = o.signal.startswith("state:")
        values[here] = float(number == STATE["on"]) if is_state else float(number)
    if o.trips:
        tripped = np.zeros(raw.size, dtype=bool)
        for lo, hi, number in o.rule.words:
            if number == STATE["tripped"]:
                tripped |= _within(raw, lo, hi) & ~absent
        return np.ones(raw.size), tripped, np.zeros(raw.size, dtype=bool)
    return values, absent | known, ~absent & ~known


def _joined(parts: list[Column]) -> Column:
    if len(parts) == 1:
        return parts[0]
    rows = np.concatenate([p.rows for p in parts])
    order = np.argsort(rows, kind="stable")
    raws = [p.raw for p in parts]
    kind = np.uint64 if all(r.dtype == np.uint64 for r in raws) else np.int64
    raw = np.concatenate([r.astype(kind) for r in raws])
    return Column(rows[order], raw[order], np.concatenate([p.values for p in parts])[order])


def _slowly(
    definitions: Definitions,
    got: _Gathered,
    ids: NDArray[np.uint32],
    payloads: NDArray[np.uint8],
    lengths: NDArray[np.integer],
) -> tuple[list[tuple[int, Observation]], list[tuple[int, Undecodable]]]:
    rows = np.unique(np.concatenate(got.slow)) if got.slow else np.zeros(0, dtype=np.intp)
    others: list[tuple[int, Observation]] = []
    undecodable: list[tuple[int, Undecodable]] = []
    known: dict[tuple[int, bytes], tuple[Undecodable | None, list[Observation]]] = {}
    sizes, numbers = lengths[rows].tolist(), ids[rows].tolist()
    for row, can_id, size, data in zip(rows.tolist(), numbers, sizes, _bytes_of(payloads[rows]), strict=True):
        if size != 8:  # longer than a row can hold: only its length matters
            data = data[:size] + bytes(max(0, size - 8))
        found = known.get((can_id, data))
        if found is None:
            frame = Frame(0, can_id & ~EXTENDED, data, bool(can_id & EXTENDED))
            reading = definitions.decode(frame) or _NOTHING
            rest = [o for o in reading.observations if o.signal not in got.parts]
            found = known[can_id, data] = reading.undecodable, rest
        bad, rest = found
        if bad is not None:
            undecodable.append((row, bad))
        for o in rest:
            others.append((row, o))
    return others, undecodable


def _bytes_of(payloads: NDArray[np.uint8]) -> list[bytes]:
    whole, width = payloads.tobytes(), payloads.shape[1]
    return [whole[at : at + width] for at in range(0, len(whole), width)]


class PageRows(NamedTuple):
    """The frames of one page among many. `rows` rise."""

    page: Page
    words: Words

    @property
    def rows(self) -> Rows:
        """Numbers of the frames."""
        return self.words.rows

    def values(self, o: Observer) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """Of one signal the value in each frame (NaN: not available), and where it means nothing."""
        raw = self.words.take(o.field, self.page.length)
        if o.field.size <= _TABLED_BITS and not o.field.signed:
            table = _table(o)
            return table.values.take(raw), table.wrong.take(raw)
        values, _, wrong = _values(o, raw)
        return values, wrong

    def raw(self, o: Observer) -> NDArray[np.int64]:
        """The raw value of one signal in each frame."""
        return self.words.take(o.field, self.page.length).astype(np.int64)


class ControlRows(NamedTuple):
    """The frames of one control message among many, as little-endian numbers; `fits`: of right length."""

    reader: ControlReader | Several
    rows: Rows
    little: NDArray[np.uint64]
    fits: NDArray[np.bool_]


@dataclass(slots=True)
class Sorted:
    """Many frames by what reads them. `odd`: those to be read one by one."""

    pages: list[PageRows]
    controls: list[ControlRows]
    odd: Rows


def sort_frames(
    definitions: Definitions,
    ids: NDArray[np.uint32],
    payloads: NDArray[np.uint8],
    lengths: NDArray[np.integer],
) -> Sorted:
    """Puts data frames of boxes and controls into heaps; `ids`, `payloads`, `lengths` as in `decode_bulk`.

    Frames that nobody reads are in none.
    """
    little = np.ascontiguousarray(payloads, dtype=np.uint8).view("<u8").ravel().astype(_U64, copy=False)
    out = Sorted([], [], np.zeros(0, np.intp))
    odd: list[Rows] = []
    masked = {mask: ids & np.uint32(mask | EXTENDED) for mask in {r[1] for r in definitions.routes}}
    for can_id, mask, extended, reader in definitions.routes:
        wanted = np.uint32(can_id & mask | (EXTENDED if extended else 0))
        rows = np.flatnonzero(masked[mask] == wanted)
        if not rows.size:
            continue
        if not isinstance(reader, Page | Switch):
            length = (reader.parts[0] if isinstance(reader, Several) else reader).carrier.length
            out.controls.append(ControlRows(reader, rows, little.take(rows), lengths.take(rows) == length))
            continue
        fits = lengths.take(rows) == reader.length
        if not fits.all():
            odd.append(rows[~fits])
            rows = rows[fits]
        _sort_pages(out.pages, odd, reader, Words(rows, little.take(rows)))
    if odd:
        out.odd = np.sort(np.concatenate(odd))
    return out


def _sort_pages(pages: list[PageRows], odd: list[Rows], reader: Page | Switch, words: Words) -> None:
    if isinstance(reader, Page):
        if words.rows.size:
            pages.append(PageRows(reader, words))
        return
    choice = words.take(reader.field, reader.length)
    left = np.ones(words.rows.size, dtype=bool)
    for raw, page in reader.pages.items():
        here = choice == raw
        left &= ~here
        _sort_pages(pages, odd, page, words.of(here))
    odd.append(words.rows[left])
