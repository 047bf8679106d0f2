"""Products as sets: everything possible, everything at rest, the hull of several, and what is hidden."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Any

from .levels import FULL, MAYBE, NO, OFF, YES, Interval, Levels, hull, levels, positive
from .run import Product
from .tables import DIRECTION, HAND, MEMORY, RAMP, SAVED, TIMER, TRIP, ClusterTable
from .timeless import timeless
from .writes import LINK, MOVING, RAMPING, WAIT, WILD

MOST_PRODUCTS = 64
MOST_HELD = 3  # dimming keys of one cluster held at once before we looked


def at_rest(t: ClusterTable) -> Product:
    """Awake, everything off, counters at their last position, sensors at rest, no key held."""
    n = t.n
    w: list[Any] = [NO] * t.size
    for c in range(n):
        w[c], w[n * TIMER + c], w[n * RAMP + c], w[n * SAVED + c] = OFF, None, None, OFF
        w[n * MEMORY + c] = (100.0, 100.0)
        w[n * DIRECTION + c] = 1
    for f in t.counters:
        w[f.counter] = 1 << (len(f.masks) - 1)
        if f.counter_timer >= 0:
            w[f.counter_timer] = None
    for f in t.hold_functions:
        w[f.hold] = None
    for slot in t.boxes.values():
        w[slot] = YES
    w[t.pending], w[t.undo], w[t.overflow] = (), None, False
    return tuple(w)


def all_off(t: ClusterTable) -> Product:
    """As at rest, but for what dimmers remember and which way they go next, which is not known."""
    w = list(at_rest(t))
    for c, dim in enumerate(t.dims):
        if dim is not None and dim.remembers:
            w[t.n * MEMORY + c] = (dim.min_pct, 100.0)
        if dim is not None and dim.alternates:
            w[t.n * DIRECTION + c] = 3
    return tuple(w)


def calmed(t: ClusterTable, products: Sequence[Product]) -> Product | None:
    """At rest with all that the dimmers of these products may remember; None where more is not at rest."""
    rest = at_rest(t)
    w = list(rest)
    for product in products:
        plain = list(product)
        for f in t.counters:  # one that would be forgotten to where it stands already
            if f.counter_timer >= 0 and plain[f.counter] == rest[f.counter]:
                plain[f.counter_timer] = None
        for c in range(t.n):
            for kind in (MEMORY, DIRECTION):
                plain[t.n * kind + c] = rest[t.n * kind + c]
        if timeless(t, tuple(plain)) != timeless(t, rest):
            return None
    for c, dim in enumerate(t.dims):
        if dim is not None and dim.remembers:
            spans = [remembered(t, p, c) for p in products]
            w[t.n * MEMORY + c] = (min(s[0] for s in spans), max(s[1] for s in spans))
        if dim is not None and dim.alternates:
            w[t.n * DIRECTION + c] = _any_of({p[t.n * DIRECTION + c] for p in products})
    return tuple(w)


def unknown(t: ClusterTable, t_ns: int) -> list[Product]:
    """Everything possible at `t_ns`, in an awake box, with or without dimming keys held since before."""
    w = list(at_rest(t))
    n = t.n
    for c in range(n):
        w[c] = t.possible[c]
        auto, dim = t.auto[c], t.dims[c]
        if auto is not None:
            w[n * TIMER + c] = (t_ns, t_ns + auto[1])
        if t.has_trip[c]:
            w[n * TRIP + c] = MAYBE
        w[n * HAND + c] = MAYBE
        if dim is not None:
            if dim.remembers:
                w[n * MEMORY + c] = (dim.min_pct, 100.0)
            if dim.alternates:
                w[n * DIRECTION + c] = 3
        for key in t.momentary_keys[c]:
            w[key] = MAYBE
        if t.restores[c]:
            w[n * SAVED + c] = t.possible[c]
    for f in t.counters:
        w[f.counter] = (1 << len(f.masks)) - 1
        if f.counter_timer >= 0:
            w[f.counter_timer] = (t_ns, t_ns + f.after_ns + t.respond_ns[f.members[0]])
    for slot in t.sensors.values():
        w[slot] = MAYBE
    for lost in (row[1] for rows in t.forced_by for row in rows if row[2] >= 0):
        w[lost] = MAYBE
    for slot in _limited(t):
        w[slot] = MAYBE
    return _with_holds(t, tuple(w), t_ns)


def _with_holds(t: ClusterTable, calm: Product, t_ns: int) -> list[Product]:
    """The calm product, and one for each set of up to three dimming functions held since before."""
    found = [calm]
    held = [f for f in t.hold_functions if f.keys]
    for count in range(1, min(len(held), MOST_HELD) + 1):
        for some in combinations(held, count):
            w = list(calm)
            for f in some:
                w[f.hold] = (WILD, t_ns + f.hold_ns, True)
                for key in f.keys:
                    w[key] = YES if len(f.keys) == 1 else MAYBE
                if f.kind == "toggle":
                    w[f.members[0]] = positive(w[f.members[0]])
            found.append(tuple(w))
    return found


def _limited(t: ClusterTable) -> list[int]:
    boxes = {c.box for c, sheds in zip(t.circuits, t.shed_mask, strict=True) if sheds}
    return [t.shed_slot[name] for name in boxes]


def merge(t: ClusterTable, products: Sequence[Product]) -> list[Product]:
    """Equal products once; the hull of all, marked, when there are more than 64."""
    once = list(dict.fromkeys(products))
    return once if len(once) <= MOST_PRODUCTS else [join(t, once, crowded=True)]


def join(t: ClusterTable, products: Sequence[Product], *, crowded: bool = False) -> Product:
    """The component-wise hull: a superset of all `products`."""
    every = [p for product in products for p in _with_past(t, product)]
    first = every[0]
    w = list(first)
    kinds = _set_slots(t)
    n = t.n
    for slot in range(8 * n, t.size):
        values = {p[slot] for p in every}
        if len(values) == 1:
            continue
        if slot in kinds:
            w[slot] = _hull_of_instants(values)
        elif slot not in (t.pending, t.undo, t.overflow):
            w[slot] = _any_of(values)
    for c in range(n):
        _join_circuit(t, w, every, c)
    for f in t.hold_functions:
        _join_hold(t, w, every, f.hold, f.members)
    w[t.pending] = tuple(sorted({entry for p in every for entry in p[t.pending]}))
    w[t.undo] = None
    w[t.overflow] = crowded or any(p[t.overflow] for p in every)
    return tuple(w)


def _with_past(t: ClusterTable, product: Product) -> list[Product]:
    return [product] if product[t.undo] is None else [product, product[t.undo][2]]


def _set_slots(t: ClusterTable) -> set[int]:
    return {f.counter_timer for f in t.counters if f.counter_timer >= 0} | {f.hold for f in t.hold_functions}


def _any_of(values: set[Any]) -> int:
    bits = 0
    for value in values:
        bits |= value
    return bits


def _hull_of_instants(values: set[Any]) -> Any:  # noqa: ANN401 - a slot's value
    spans = [v for v in values if v is not None]
    return (min(s[0] for s in spans), max(s[1] for s in spans)) if spans else None


def _join_circuit(t: ClusterTable, w: list[Any], every: Sequence[Product], c: int) -> None:
    n = t.n
    w[c] = levels(i for p in every for i in p[c])
    w[n * TIMER + c] = _hull_of_instants({p[n * TIMER + c] for p in every})
    for k in (TRIP, HAND, DIRECTION):
        w[n * k + c] = _any_of({p[n * k + c] for p in every})
    w[n * SAVED + c] = levels(i for p in every for i in p[n * SAVED + c])
    memories = {p[n * MEMORY + c] for p in every}
    if len(memories) > 1:
        spans = [remembered(t, p, c) for p in every]
        w[n * MEMORY + c] = (min(s[0] for s in spans), max(s[1] for s in spans))
    if len({p[n * RAMP + c] for p in every}) > 1:
        w[n * RAMP + c] = None


def _join_hold(
    t: ClusterTable, w: list[Any], every: Sequence[Product], slot: int, members: tuple[int, ...]
) -> None:
    holds = {p[slot] for p in every}
    ramps = {tuple(p[t.n * RAMP + c] for c in members) for p in every}
    if len(holds) == 1 and len(ramps) == 1:
        return
    waiting = [h[1] for h in holds if h is not None and h[0] in (WAIT, WILD)]
    sure = None not in holds and all(h[0] in (WAIT, RAMPING) or h[2] for h in holds)
    w[slot] = (WILD, max(waiting), sure) if waiting else (MOVING, 0, sure)
    for c in members:
        dim = t.dims[c]
        w[t.n * RAMP + c] = None
        if dim is not None:
            if w[c] != OFF:
                w[c] = levels([(dim.min_pct, 100.0), *w[c]])
            if dim.remembers and w[t.n * MEMORY + c] == LINK:
                w[t.n * MEMORY + c] = (dim.min_pct, 100.0)


def remembered(t: ClusterTable, product: Product, c: int) -> Interval:
    """The dim memory of a circuit, in percent."""
    memory: Interval | str = product[t.n * MEMORY + c]
    if isinstance(memory, str):
        stored: Levels = product[c]
        return hull(positive(stored) or FULL)
    return memory


def hidden(t: ClusterTable, product: Product) -> dict[str, tuple[float, float]]:
    """What no report shows: positions from 1, memories in percent, timers as instants in ns,
    the next dimming direction, latches, held keys and shedding as 0 or 1."""
    n = t.n
    out: dict[str, tuple[float, float]] = {}
    for f in t.counters:
        places = [p + 1 for p in range(len(f.masks)) if product[f.counter] >> p & 1]
        out[f"position {f.name}"] = (float(places[0]), float(places[-1]))
    for c, name in enumerate(t.names):
        dim = t.dims[c]
        if dim is not None and dim.remembers:
            out[f"memory {name}"] = remembered(t, product, c)
        if dim is not None and dim.alternates:
            bits = product[n * DIRECTION + c]
            out[f"direction {name}"] = (-1.0 if bits & 1 else 1.0, 1.0 if bits & 2 else -1.0)
        timer = product[n * TIMER + c]
        if t.auto[c] is not None and timer is not None and product[c][-1][1] > 0.0:
            out[f"timer {name}"] = (float(timer[0]), float(timer[1]))
        if t.has_trip[c]:
            out[f"trip {name}"] = _bits(product[n * TRIP + c])
    for slot, control in {c.key: c for c in t.controls.values() if c.key >= 0}.items():
        out[f"held {control.name}"] = _bits(product[slot])
    for name, slot in t.shed_slot.items():
        if slot in _limited(t):
            out[f"shed {name}"] = _bits(product[slot])
    return out


def _bits(answer: int) -> tuple[float, float]:
    return (0.0 if answer & NO else 1.0, 1.0 if answer & YES else 0.0)
