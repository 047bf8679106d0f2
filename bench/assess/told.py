"""A recording of another logger many frames at a time, in the order of `early.causes_first`."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bench.core.entry import Entry, Mark
from bench.core.frame import RX, TX, Frame
from bench.definitions import Definitions
from bench.definitions.observers import Page, Switch
from bench.session.columns import ERROR, EXTENDED, REMOTE, Columns
from bench.session.early import is_control, numbered

MARK = 255
_new = tuple.__new__
Positions = NDArray[np.intp]


@dataclass(slots=True)
class Batch:
    """Entries in the order they are told. Arrays by place: `t_ns` as told, of controls earlier than stamped;
    `can_id` with bit 31 set for 29 bits, `length`, `payload`, `sent` and `kind` as in Columns, or kind MARK;
    `number`: of the frame in the recording, `order`: of the entry.

    `others`: what the columns do not say in full, by `order`.
    """

    others: dict[int, Frame | Mark]
    t_ns: NDArray[np.int64]
    can_id: NDArray[np.uint32]
    length: NDArray[np.uint8]
    payload: NDArray[np.uint8]
    sent: NDArray[np.bool_]
    kind: NDArray[np.uint8]
    number: NDArray[np.int64]
    order: NDArray[np.int64]

    def __len__(self) -> int:
        return self.t_ns.size

    def at(self, places: slice) -> Batch:
        """Some of the entries."""
        return Batch(self.others, *[getattr(self, name)[places] for name in ARRAYS])

    def moved(self, places: Positions) -> Batch:
        """The entries in another order."""
        columns = [self.payload.view("<u8").ravel() if n == "payload" else getattr(self, n) for n in ARRAYS]
        made = [column.take(places) for column in columns]
        made[PAYLOAD] = made[PAYLOAD].view(np.uint8).reshape(-1, 8)
        return Batch(self.others, *made)

    def entries(self, start: int, stop: int) -> Iterator[tuple[Entry, int | None]]:
        """Entries as they are told, with the numbers of those that are frames."""
        part = slice(start, stop)
        payload = self.payload[part].tobytes()
        rows = zip(
            self.t_ns[part].tolist(), self.can_id[part].tolist(), self.length[part].tolist(),
            range(0, len(payload), 8), self.sent[part].tolist(), self.kind[part].tolist(),
            self.number[part].tolist(), self.order[part].tolist(), strict=True,
        )  # fmt: skip
        for t_ns, raw_id, size, at, is_sent, kind, number, order in rows:
            other = self.others.get(order)
            if other is not None:
                yield other._replace(t_ns=t_ns), number if number >= 0 else None
                continue
            remote = kind == REMOTE
            head = t_ns, raw_id & 0x1FFFFFFF, b"" if remote else payload[at : at + size], raw_id >= EXTENDED
            tail = TX if is_sent else RX, "", remote, kind == ERROR, None, size or None if remote else None
            yield _new(Frame, (*head, *tail)), number

    def frame(self, place: int) -> Frame:
        """The data frame at one place."""
        entry, _ = next(self.entries(place, place + 1))
        assert isinstance(entry, Frame)
        return entry


ARRAYS = ("t_ns", "can_id", "length", "payload", "sent", "kind", "number", "order")
PAYLOAD = ARRAYS.index("payload")


class Teller:
    """Puts chunks into the order in which they are told. `unsound` once frames step back by more than the
    jitter: then `rest` holds what was not handed out, and nothing more is taken."""

    def __init__(self, definitions: Definitions, jitter_ns: int) -> None:
        self._definitions, self._jitter_ns = definitions, jitter_ns
        self._controls = [r[:3] for r in definitions.routes if not isinstance(r[3], Page | Switch)]
        self._left: Batch | None = None
        self._latest_ns = -(1 << 62)
        self._order = 0
        self.unsound = False

    def batches(self, chunks: Iterator[Columns]) -> Iterator[Batch]:
        """Everything, in order; stops early when it becomes unsound."""
        for chunk in chunks:
            batch = self._batch(chunk)
            keys = batch.t_ns
            whole = _joined(self._left, batch)
            if not self._is_sound(chunk.t_ns, keys):
                self.unsound = True
                self._left = whole
                return
            self._latest_ns = max(self._latest_ns, int(keys.max(initial=self._latest_ns)))
            whole = whole.moved(np.argsort(whole.t_ns, kind="stable"))
            ripe = int(np.searchsorted(whole.t_ns, self._latest_ns - self._jitter_ns, side="right"))
            self._left = whole.at(slice(ripe, None))
            if ripe:
                yield whole.at(slice(0, ripe))
        if self._left is not None and len(self._left):
            yield self._left
            self._left = None

    def _is_sound(self, t_ns: NDArray[np.int64], keys_ns: NDArray[np.int64]) -> bool:
        """Whether no key steps back by more than the jitter; none does where stamps of frames rise."""
        if 0 < t_ns.size == keys_ns.size and t_ns[0] >= self._latest_ns and (t_ns[1:] >= t_ns[:-1]).all():
            return True
        before = np.maximum.accumulate(np.concatenate(([self._latest_ns], keys_ns[:-1])))
        return not (keys_ns < before - self._jitter_ns).any()

    def rest(self, chunks: Iterator[Columns]) -> Iterator[tuple[Entry, int | None]]:
        """What is left as it was recorded, with the numbers of its frames, for `causes_first`."""
        if self._left is not None:
            left = self._left.moved(np.argsort(self._left.order, kind="stable"))
            for entry, number in left.entries(0, len(left)):
                if isinstance(entry, Frame) and is_control(self._definitions, entry.can_id, entry.extended):
                    entry = entry._replace(t_ns=entry.t_ns + self._jitter_ns)
                yield entry, number
        for chunk in chunks:
            yield from numbered(chunk.entries(), chunk.first)

    def _batch(self, chunk: Columns) -> Batch:
        n, marks = len(chunk), chunk.marks
        others: dict[int, Frame | Mark] = {}
        number = chunk.first + np.arange(n, dtype=np.int64)
        columns: list[NDArray[Any]] = [
            chunk.t_ns, chunk.can_id, chunk.length, chunk.payload, chunk.sent, chunk.kind, number,
        ]  # fmt: skip
        where = np.arange(n, dtype=np.int64)
        if marks:
            rows = np.array([row for row, _ in marks])
            stamps = np.array([mark.t_ns for _, mark in marks])
            fill: tuple[Any, ...] = stamps, 0, 0, 0, False, MARK, -1
            columns = [np.insert(a, rows, f, axis=0) for a, f in zip(columns, fill, strict=True)]
            is_mark = np.insert(np.zeros(n, bool), rows, True)
            where, places = np.flatnonzero(~is_mark), np.flatnonzero(is_mark).tolist()
            others = {self._order + p: mark for p, (_, mark) in zip(places, marks, strict=True)}
        for row, frame in chunk.others.items():
            others[self._order + int(where[row])] = frame
        ids, controls = columns[1], np.zeros(columns[0].size, bool)
        for can_id, mask, extended in self._controls:
            controls |= (ids & np.uint32(mask | EXTENDED)) == np.uint32(
                can_id & mask | (EXTENDED if extended else 0)
            )
        if marks:
            controls &= columns[5] != MARK
        t_ns = columns[0].copy()
        t_ns[np.flatnonzero(controls)] -= self._jitter_ns
        order = self._order + np.arange(t_ns.size, dtype=np.int64)
        self._order += t_ns.size
        return Batch(others, *[t_ns, *columns[1:], order])


def _joined(left: Batch | None, more: Batch) -> Batch:
    if left is None or not len(left):
        return more
    arrays = [np.concatenate((getattr(left, name), getattr(more, name))) for name in ARRAYS]
    orders = set(left.order.tolist()) if left.others else set()
    kept = {order: other for order, other in left.others.items() if order in orders}
    return Batch(kept | more.others, *arrays)
