"""The walk of `walk.Walk.run` with many frames at a time: the same entries in the same places."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import repeat
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bench.core.entry import Entry, Mark
from bench.core.frame import Frame

from .columns import ARRAYS, Columns, empty
from .scan import Block
from .walk import NONE, UNMARKED_NS, Walk


class Merge:
    """Puts marks and drops among the frames of blocks; keeps its findings in the walk."""

    def __init__(self, walk: Walk) -> None:
        self._walk = walk
        self._marks = walk.mark_entries()
        self._due, self._mark = next(self._marks, NONE)
        self._marked_ns: int | None = None
        self._placed: list[tuple[int, Mark]] = []
        self._ended = False

    def chunks(self, blocks: Iterator[Block]) -> Iterator[Columns]:
        """Every entry. Raises: OSError when the disk fails."""
        walk = self._walk
        buses: tuple[str, ...] = ()
        for block in blocks:
            columns, buses = block.columns, block.columns.buses
            self._placed = []
            stop = self._place(block)
            if stop < len(columns):
                columns = columns.part(0, stop)
            if len(columns) or self._placed:
                yield replace(columns, marks=self._placed) if self._placed else columns
            if self._ended:
                return
        last: list[Entry] = list(walk.last_marks(self._marks, self._due, self._mark))
        if last:
            yield empty(buses, walk.frames, [(0, m) for m in last if not isinstance(m, Frame)])

    def _place(self, block: Block) -> int:
        """Gives back how many frames of the block are handed out."""
        walk, row = self._walk, 0
        t_ns = block.columns.t_ns
        for at, number, lost in block.lost:
            row = self._frames(t_ns, row, at)
            if self._ended:
                break
            lost_ns = walk.lost_ns(lost)
            self._marks_before(row, lost_ns)
            self._put(row, walk.lost_line(lost, number, lost_ns))
        else:
            row = self._frames(t_ns, row, t_ns.size)
        told_ns = t_ns[:row]
        walk.step_back_ns = max(walk.step_back_ns, int((told_ns[:-1] - told_ns[1:]).max(initial=0)))
        return row

    def _put(self, row: int, marks: Iterable[Mark]) -> None:
        self._placed += zip(repeat(row), marks)

    def _marks_before(self, row: int, t_ns: int) -> None:
        """Hands out the marks that are due before the next line, whose time is `t_ns`."""
        walk = self._walk
        while self._mark is not None and (
            self._due <= walk.position or (walk.damaged and self._mark.t_ns < t_ns)
        ):
            if walk.gap:
                self._put(row, walk.through_gap(self._mark.t_ns))
            self._placed.append((row, self._mark))
            self._marked_ns = walk.last_ns = self._mark.t_ns
            self._due, self._mark = next(self._marks, NONE)

    def _frames(self, t_ns: NDArray[np.int64], row: int, stop: int) -> int:
        """Hands out rows `row` to `stop` with the marks among them; gives back the row it came to."""
        walk = self._walk
        while row < stop:
            self._marks_before(row, int(t_ns[row]))
            end = self._until_next_mark(t_ns, row, stop)
            if end == row:
                self._placed.append((row, walk.unmarked()))
                self._ended = True
                return row
            if walk.gap:
                self._put(row, walk.through_gap(int(t_ns[row])))
                walk.gap = 0
            self._pass(t_ns[row:end])
            row = end
        return row

    def _until_next_mark(self, t_ns: NDArray[np.int64], row: int, stop: int) -> int:
        """The first row, from `row` on, before which a mark may be due, or whose link nothing vouches for."""
        walk = self._walk
        if self._mark is None:
            if not walk.may_end_early:
                return stop
            if self._marked_ns is None:
                self._marked_ns = int(t_ns[row])
            return _first_above(t_ns, row, stop, self._marked_ns + UNMARKED_NS)
        stop = min(stop, row + self._due - walk.position)
        return _first_above(t_ns, row + 1, stop, self._mark.t_ns) if walk.damaged else stop

    def _pass(self, t_ns: NDArray[np.int64]) -> None:
        walk = self._walk
        walk.step_back_ns = max(walk.step_back_ns, walk.t_ns - int(t_ns[0]))
        walk.t_ns = walk.last_ns = int(t_ns[-1])
        walk.position += t_ns.size
        walk.frames += t_ns.size


def _first_above(t_ns: NDArray[np.int64], start: int, stop: int, limit_ns: int) -> int:
    above = np.flatnonzero(t_ns[start:stop] > limit_ns)
    return start + int(above[0]) if above.size else stop


def regrouped(chunks: Iterator[Columns], rows: int) -> Iterator[Columns]:
    """The same frames and marks in chunks of `rows` frames; the last one may have less."""
    held: list[Columns] = []
    count = 0
    for chunk in chunks:
        held.append(chunk)
        count += len(chunk)
        while count > rows:
            whole = joined(held)
            yield whole.part(0, rows)
            held = [whole.part(rows, len(whole))]
            count -= rows
    if held:
        yield joined(held)


def joined(chunks: list[Columns]) -> Columns:
    """Chunks that follow one another, as one."""
    if len(chunks) == 1:
        return chunks[0]
    starts = np.cumsum([0, *map(len, chunks)]).tolist()
    arrays = {name: np.concatenate([getattr(c, name) for c in chunks]) for name in ARRAYS}
    changed: dict[str, Any] = arrays
    return replace(
        chunks[0],
        **changed,
        buses=chunks[-1].buses,
        others={at + row: f for at, c in zip(starts, chunks, strict=False) for row, f in c.others.items()},
        marks=[(at + row, m) for at, c in zip(starts, chunks, strict=False) for row, m in c.marks],
    )
