"""A product without its instants: what a plan calls one state, however long ago things began."""

from __future__ import annotations

from collections.abc import Hashable

from .levels import NO
from .run import Product
from .tables import RAMP, TIMER, ClusterTable


def timeless(t: ClusterTable, product: Product) -> Hashable:
    """Equal for products that differ only in when their timers and holds began, in which of a function's
    controls is down, and in a press that may yet turn out too short."""
    w = list(product)
    n = t.n
    for c in range(n):
        w[n * TIMER + c] = t.auto[c] is not None and w[n * TIMER + c] is not None and w[c][-1][1] > 0.0
        ramp = w[n * RAMP + c]
        w[n * RAMP + c] = None if ramp is None else ramp.direction
    for f in t.counters:
        if f.counter_timer >= 0:
            w[f.counter_timer] = w[f.counter_timer] is not None
    held = []
    for f in t.functions.values():
        if f.hold >= 0 and w[f.hold] is not None:
            w[f.hold] = w[f.hold][0]
        held.append(tuple(sorted(w[key] for key in f.keys if w[key] != NO)))
        for key in f.keys:
            w[key] = NO
    w[t.undo] = None
    w[t.pending] = tuple(entry[1:] for entry in w[t.pending])
    return tuple(w), tuple(held)


def awaited(t: ClusterTable, product: Product) -> tuple[str, ...]:
    """Circuits whose timer runs, and functions whose position is forgotten after a time."""
    running = [
        name
        for c, name in enumerate(t.names)
        if t.auto[c] is not None and product[t.n * TIMER + c] is not None and product[c][-1][1] > 0.0
    ]
    counted = [f.name for f in t.counters if f.counter_timer >= 0 and product[f.counter_timer] is not None]
    return (*running, *counted)
