"""A long recording of a boat in use: a key now and then, and otherwise cyclic frames."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from bench.core.frame import RX, Frame
from bench.core.plan import Plan, Step
from bench.definitions import Definitions
from bench.definitions.bulk import sort_frames
from bench.definitions.controls import Several
from bench.definitions.database import Field
from bench.definitions.observers import little_mask
from bench.lab.api import run_virtual
from bench.run.api import Wishes
from bench.session import open_session
from bench.session.columns import Columns, from_frames
from bench.session.writing import text_of
from bench.spec.model import Spec

EVERY_S = 300.0  # between keys
ROUNDS = 4  # keys pressed on and off in the piece that is repeated
AWAKE_NS = 6_000_000_000
Bits = NDArray[np.uint64]


class Loaded(Protocol):
    """The demo boat, however loaded."""

    @property
    def spec(self) -> Spec: ...

    @property
    def definitions(self) -> Definitions: ...


def write_log(path: Path, boat: Loaded, frames: int) -> int:
    """Writes `frames` frames of the demo boat as another logger would; gives back how many presses are in."""
    piece, presses = _piece(boat)
    groups = _counted(boat.definitions, piece)
    shift_ns = int(piece.t_ns[-1] - piece.t_ns[0]) + 10_000_000
    with path.open("wb") as file:
        for turn in range(-(-frames // len(piece))):
            part = replace(piece, t_ns=piece.t_ns + turn * shift_ns, payload=_recounted(piece, groups, turn))
            left = frames - turn * len(piece)
            file.write(text_of(part if left >= len(piece) else part.part(0, left)))
    return presses * frames // len(piece)


def _piece(boat: Loaded) -> tuple[Columns, int]:
    """Keys pressed on and, as long later, off; it ends as it began."""
    timed = {c.name for c in boat.spec.circuits.values() if c.auto_off is not None}
    toggles = {
        f.name for f in boat.spec.functions.values() if f.kind == "toggle" and f.members[0] not in timed
    }
    plain = [c.name for c in boat.spec.controls.values() if c.function in toggles][:ROUNDS]
    steps: list[Step] = []
    at_ms = 10_000.0
    for control in [c for c in plain for _ in range(2)]:
        steps += Step(at_ms, "press", control), Step(at_ms + 150.0, "release", control)
        at_ms += EVERY_S * 1000
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "session"
        plan = Plan("a boat in use", tuple(steps), at_ms)
        run_virtual("demo", wishes=Wishes(plan=plan, out=out))
        frames = [e for e in open_session(out).entries() if isinstance(e, Frame)]
    begin, end = frames[0].t_ns + AWAKE_NS, frames[-1].t_ns - AWAKE_NS
    kept = [f._replace(direction=RX) for f in frames if begin <= f.t_ns < end]
    return from_frames(kept), len(plain) * 2


def _counted(definitions: Definitions, piece: Columns) -> list[tuple[NDArray[np.intp], int, int, int]]:
    """Rows that share a counter, and its mask, shift and size."""
    heaps = sort_frames(definitions, piece.can_id, piece.payload, piece.length)
    named = {m.name: m.counted_as or m.name for m in definitions.messages()}
    found: dict[str, tuple[list[NDArray[np.intp]], Field, int]] = {}
    for page in heaps.pages:
        for o in page.page.counters:
            found.setdefault(named[page.page.message], ([], o.field, page.page.length))[0].append(page.rows)
    for heap in heaps.controls:
        carrier = (heap.reader.parts[0] if isinstance(heap.reader, Several) else heap.reader).carrier
        if carrier.counter is not None:
            found.setdefault(carrier.name, ([], carrier.counter, carrier.length))[0].append(heap.rows)
    out = []
    for rows, field, length in found.values():
        mask = little_mask(field, length)
        out.append((np.sort(np.concatenate(rows)), mask, (mask & -mask).bit_length() - 1, field.size))
    return out


def _recounted(
    piece: Columns, groups: list[tuple[NDArray[np.intp], int, int, int]], turn: int
) -> NDArray[np.uint8]:
    words: Bits = np.ascontiguousarray(piece.payload).view("<u8").ravel().copy()
    for rows, mask, shift, size in groups:
        counts = (turn * rows.size + np.arange(rows.size)) & ((1 << size) - 1)
        words[rows] = words[rows] & ~np.uint64(mask) | counts.astype(np.uint64) << np.uint64(shift)
    return words.view(np.uint8).reshape(-1, 8)
