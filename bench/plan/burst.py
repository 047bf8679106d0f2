"""Keys of different clusters pressed together: a box that drops one of two close events is found."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from functools import partial

from bench.spec.model import Function

from .act import Act, Job, Script
from .desk import Desk

BURST = "burst"  # tag of what it covers
MOST_KEYS = 8  # so that all lie within a cycle of the states, and not everything is switched on at a stroke


def burst_job(desk: Desk, quick: Collection[int], rank: int) -> Iterator[Job]:
    """Nothing where there is only one key to press. `quick`: clusters that are soon free."""
    keys = list(_keys(desk, quick))[:MOST_KEYS]
    if len(keys) > 1:
        circuits = [c for _, f in keys for c in f.circuits]
        yield Job(BURST, desk.clusters(circuits), partial(_burst, desk, keys), rank, uncut=True)


def _keys(desk: Desk, quick: Collection[int]) -> Iterator[tuple[str, Function]]:
    """One key of each cluster, of panels and screens in turn, where a press is all that counts."""
    used, taken = Counter[str](), set[int]()
    for f in desk.functions("toggle", "group", "cycle"):
        clusters = desk.clusters(f.circuits)
        fits = len(clusters) == 1 and clusters.issubset(quick) and clusters.isdisjoint(taken)
        if not fits or f.position == "counter" or any(desk.spec.circuits[c].dim for c in f.circuits):
            continue
        control = min(desk.keys[f.name], key=lambda name: used[desk.sim.node_of(name)])
        used[desk.sim.node_of(control)] += 1
        taken |= clusters
        yield control, f


def _burst(desk: Desk, keys: Sequence[tuple[str, Function]]) -> Script:
    """All at a stroke, and again in the other order."""
    circuits = [c for _, f in keys for c in f.circuits]
    yield from desk.all_off(circuits)
    for order in (keys, keys[::-1]):
        text = f"{len(order)} keys of different circuits at a stroke"
        presses = [Act("press", name, 1, desk.pace.tap, text, (f"{BURST} {f.name}",)) for name, f in order]
        yield presses[0].along(presses[1:])
        rest_ms = desk.pace.dwell - desk.pace.tap
        releases = [Act("release", name, 0, rest_ms, urgent=1) for name, _ in order]
        yield releases[0].along(releases[1:])
    yield from desk.all_off(circuits)
