"""What a recording says, as pandas tables: edges, levels, currents, with units in the names of columns."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from bench.core.entry import Dropped, LinkLost
from bench.definitions.bulk import decode_bulk

from .columns import DATA, Columns

if TYPE_CHECKING:
    from bench.definitions import Definitions

ROWS = 200_000  # frames decoded at once
EDGES = ("state", "lamp", "fault", "sensor")


class Signals(NamedTuple):
    """Three tidy tables; every `t_ns` is the stamp of a frame, `time_s` the same since the first frame.

    `edges`: t_ns, time_s, kind (state, lamp, fault, sensor), name, was, now, last_s (when the old value was
    last seen, as time_s: the change came after that), lost (whether frames were lost in between).
    `levels`: t_ns, time_s, circuit, level_pct. `currents`: t_ns, time_s, circuit, current_a.
    One row a sample, in the order of frames; numbers as in core.signal, NaN where the box says
    "not available".
    """

    edges: pd.DataFrame
    levels: pd.DataFrame
    currents: pd.DataFrame


class _Samples(NamedTuple):
    frames: NDArray[np.int64]  # number of the frame among all
    t_ns: NDArray[np.int64]
    values: NDArray[np.float64]


def signals_of(chunks: Iterable[Columns], definitions: Definitions) -> Signals:
    """All signals of a recording. Frames that cannot be decoded give no sample."""
    losses: list[int] = []  # numbers of the frames before which some were lost
    first_ns: list[int] = []
    parts: dict[str, list[_Samples]] = {}
    for chunk in chunks:
        losses += [chunk.first + row for row, mark in chunk.marks if isinstance(mark, Dropped | LinkLost)]
        if len(chunk) and not first_ns:
            first_ns.append(int(chunk.t_ns[0]))
        for signal, samples in _decoded(chunk, definitions):
            parts.setdefault(signal, []).append(samples)
    start_ns = first_ns[0] if first_ns else 0
    whole = {signal: _Samples(*map(np.concatenate, zip(*p, strict=True))) for signal, p in parts.items()}
    return Signals(
        _edges(whole, np.array(losses, np.int64), start_ns),
        _table(whole, "level", "level_pct", start_ns),
        _table(whole, "current", "current_a", start_ns),
    )


def _decoded(chunk: Columns, definitions: Definitions) -> Iterator[tuple[str, _Samples]]:
    rows = np.flatnonzero(chunk.kind == DATA)
    some = chunk if rows.size == len(chunk) else chunk.rows(rows)
    found = decode_bulk(definitions, some.can_id, some.payload, some.length)
    for signal, column in found.columns.items():
        if signal.partition(":")[0] in (*EDGES, "level", "current"):
            at = rows[column.rows]
            yield signal, _Samples(at + chunk.first, chunk.t_ns[at], column.values)


def _edges(whole: dict[str, _Samples], losses: NDArray[np.int64], start_ns: int) -> pd.DataFrame:
    tables = []
    for signal, s in whole.items():
        kind, _, name = signal.partition(":")
        if kind not in EDGES or s.values.size < 2:
            continue
        old, new = s.values[:-1], s.values[1:]
        at = np.flatnonzero((old != new) & ~(np.isnan(old) & np.isnan(new))) + 1
        before, after = s.frames[at - 1], s.frames[at]
        lost = np.searchsorted(losses, after, "right") > np.searchsorted(losses, before, "right")
        tables.append(
            pd.DataFrame(
                {
                    "t_ns": s.t_ns[at],
                    "time_s": (s.t_ns[at] - start_ns) / 1e9,
                    "kind": kind,
                    "name": name,
                    "was": s.values[at - 1],
                    "now": s.values[at],
                    "last_s": (s.t_ns[at - 1] - start_ns) / 1e9,
                    "lost": lost,
                    "frame": after,
                }
            )
        )
    return _in_order(tables, ("t_ns", "time_s", "kind", "name", "was", "now", "last_s", "lost"))


def _table(whole: dict[str, _Samples], kind: str, value: str, start_ns: int) -> pd.DataFrame:
    tables = [
        pd.DataFrame(
            {
                "t_ns": s.t_ns,
                "time_s": (s.t_ns - start_ns) / 1e9,
                "circuit": signal.partition(":")[2],
                value: s.values,
                "frame": s.frames,
            }
        )
        for signal, s in whole.items()
        if signal.startswith(f"{kind}:")
    ]
    return _in_order(tables, ("t_ns", "time_s", "circuit", value))


def _in_order(tables: list[pd.DataFrame], names: tuple[str, ...]) -> pd.DataFrame:
    tables = [table for table in tables if len(table)]
    if not tables:
        return pd.DataFrame({name: [] for name in names})
    whole = pd.concat(tables, ignore_index=True).sort_values("frame", kind="stable", ignore_index=True)
    return whole[list(names)]
