"""Many frames at once: a chunk of a recording as numpy columns."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import repeat
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from bench.core.entry import Entry, Mark
from bench.core.frame import RX, TX, Frame

DATA, REMOTE, ERROR, OTHER = 0, 1, 2, 3
EXTENDED = 0x80000000
ELSEWHERE = 255  # bus index of the 256th bus and later: the name is in `others`
_new = tuple.__new__
Bits64: TypeAlias = NDArray[np.uint64]
Truths: TypeAlias = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """One chunk of frames in recorded order, one row a frame, and the marks between them.

    `t_ns`: int64, nanoseconds, as recorded (0 where the recording has no stamps). `can_id`: uint32,
    bit 31 set for a 29-bit identifier. `length`: uint8, data bytes; of a remote frame the length asked
    for. `payload`: uint8, n x 8, zero beyond the length. `sent`: bool, direction T. `kind`: uint8,
    0 data, 1 remote, 2 error, 3 another (FD). `bus`: uint8, index into `buses`, which only ever grows
    from chunk to chunk. `first`: number of the first row among the frames of the recording.

    `others`: row -> Frame where the columns do not say everything: each row of kind 3, and
    frames of kind 0 and 1 with a raw length code. `marks`: (row, mark) for everything in
    `Session.entries()` that is no frame; it stands before that row, and `n` means behind the last.
    """

    t_ns: NDArray[np.int64]
    can_id: NDArray[np.uint32]
    length: NDArray[np.uint8]
    payload: NDArray[np.uint8]
    sent: Truths
    kind: NDArray[np.uint8]
    bus: NDArray[np.uint8]
    buses: tuple[str, ...] = ()
    first: int = 0
    others: Mapping[int, Frame] = field(default_factory=dict)
    marks: Sequence[tuple[int, Mark]] = ()

    def __len__(self) -> int:
        return self.t_ns.size

    def frame(self, row: int) -> Frame:
        """The frame of one row."""
        return next(iter(self.part(row, row + 1).frames()))

    def frames(self) -> Iterator[Frame]:
        """The frames of all rows."""
        ids = self.can_id
        payload = np.ascontiguousarray(self.payload).tobytes()
        starts = range(0, len(payload), 8)
        lengths = self.length.tolist()
        kinds = np.unique(self.kind).tolist()
        remote: Iterable[bool] = repeat(False)
        error: Iterable[bool] = repeat(False)
        dlc: Iterable[int | None] = repeat(None)
        if REMOTE in kinds:
            remote = (self.kind == REMOTE).tolist()
            dlc = [(n or None) if r else None for n, r in zip(lengths, remote, strict=True)]
            lengths = [0 if r else n for n, r in zip(lengths, remote, strict=True)]
        if ERROR in kinds:
            error = (self.kind == ERROR).tolist()
        names = [*self.buses, *[""] * (256 - len(self.buses))]
        many = len(np.unique(self.bus)) > 1 if len(self) else False
        made = zip(
            self.t_ns.tolist(),
            (ids & np.uint32(0x1FFFFFFF)).tolist(),
            [payload[at : at + n] for at, n in zip(starts, lengths, strict=True)],
            (ids >= np.uint32(EXTENDED)).tolist(),
            [TX if s else RX for s in self.sent.tolist()] if self.sent.any() else repeat(RX),
            [names[b] for b in self.bus.tolist()]
            if many
            else repeat(names[self.bus[0]] if len(self) else ""),
            remote,
            error,
            repeat(None),
            dlc,
            strict=False,
        )
        if not self.others:
            return map(_new, repeat(Frame), made)
        frames = [_new(Frame, one) for one in made]
        for row, other in self.others.items():
            frames[row] = other
        return iter(frames)

    def entries(self) -> Iterator[Entry]:
        """Frames and marks in original order."""
        if not self.marks:
            yield from self.frames()
            return
        frames = list(self.frames())
        at = 0
        for row, mark in self.marks:
            yield from frames[at:row]
            yield mark
            at = row
        yield from frames[at:]

    def rows(self, wanted: NDArray[np.intp]) -> Columns:
        """The rows of these numbers as copies, without marks."""
        made: dict[str, Any] = {name: getattr(self, name)[wanted] for name in ARRAYS}
        kept = {row: n for n, row in enumerate(wanted.tolist())} if self.others else {}
        others = {kept[row]: frame for row, frame in self.others.items() if row in kept}
        return replace(self, **made, others=others, marks=())

    def part(self, start: int, stop: int) -> Columns:
        """Rows `start` to `stop` (not included), with the marks before each of them, and those behind
        the last row when it is the last of all; views, not copies.
        """
        end = stop + (stop == len(self))
        return replace(
            self,
            **{name: getattr(self, name)[start:stop] for name in ARRAYS},
            first=self.first + start,
            others={row - start: f for row, f in self.others.items() if start <= row < stop},
            marks=[(row - start, m) for row, m in self.marks if start <= row < end],
        )


ARRAYS = ("t_ns", "can_id", "length", "payload", "sent", "kind", "bus")
TYPES: dict[str, np.dtype[Any]] = {
    "t_ns": np.dtype("<i8"),
    "can_id": np.dtype("<u4"),
    "length": np.dtype("u1"),
    "payload": np.dtype("u1"),
    "sent": np.dtype("?"),
    "kind": np.dtype("u1"),
    "bus": np.dtype("u1"),
}


def empty(buses: tuple[str, ...] = (), first: int = 0, marks: Sequence[tuple[int, Mark]] = ()) -> Columns:
    """A chunk without frames, for marks behind the last one."""
    arrays: dict[str, Any] = {
        name: np.zeros((0, 8) if name == "payload" else 0, TYPES[name]) for name in ARRAYS
    }
    return Columns(**arrays, buses=buses, first=first, marks=marks)


def from_frames(frames: Sequence[Frame], buses: Sequence[str] = (), first: int = 0) -> Columns:
    """Frames as one chunk; `buses` are those known before, in their order."""
    known = {name: index for index, name in enumerate(buses)}
    others: dict[int, Frame] = {}
    rows = [_row(frame, number, known, others) for number, frame in enumerate(frames)]
    if not rows:
        return empty(tuple(known), first)
    t_ns, can_id, length, data, sent, kind, bus = zip(*rows, strict=True)
    return Columns(
        np.array(t_ns, np.int64),
        np.array(can_id, np.uint32),
        np.array(length, np.uint8),
        np.frombuffer(b"".join(data), np.uint8).reshape(-1, 8),
        np.array(sent, np.bool_),
        np.array(kind, np.uint8),
        np.array(bus, np.uint8),
        tuple(known),
        first,
        others,
    )


def _row(
    frame: Frame, row: int, known: dict[str, int], others: dict[int, Frame]
) -> tuple[int, int, int, bytes, bool, int, int]:
    bus = known.get(frame.bus)
    if bus is None:
        bus = len(known)
        if bus < ELSEWHERE:
            known[frame.bus] = bus
        else:
            bus = ELSEWHERE
            others[row] = frame
    kind = OTHER if frame.fd_flags is not None else REMOTE if frame.remote else ERROR if frame.error else DATA
    length = len(frame.data) if kind != REMOTE else min(frame.dlc or 0, 8)
    if kind == OTHER or (frame.dlc or 0) > 8 or (frame.dlc is not None and kind != REMOTE):
        others[row] = frame
    can_id = frame.can_id | (EXTENDED if frame.extended else 0)
    return frame.t_ns, can_id, length, frame.data[:8].ljust(8, b"\0"), frame.direction == TX, kind, bus
