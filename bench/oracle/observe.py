"""What a product shows: courses of outputs, and the part of it that agrees with what was seen."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from bench.core.signal import FAULT_BY_HAND, FAULT_TRIPPED
from bench.core.timeline import FULL as COURSE_FULL
from bench.core.timeline import OFF as COURSE_OFF
from bench.core.timeline import Course, Ramp, Steady

from .beliefs import join, unknown
from .levels import MAYBE, NO, OFF, YES, clip, positive
from .presses import held
from .run import Product, Run, TooMany, ask, awake, by_hand, explore, forced, inhibited, tripped
from .tables import HAND, RAMP, TIMER, TRIP, ClusterTable
from .writes import MOVING, RAMPING, WAIT


def courses(t: ClusterTable, product: Product) -> tuple[Course, ...]:
    """What each circuit does from now on, as the box knows and reports it."""
    return tuple([course(t, product, c) for c in range(t.n)])


def course(t: ClusterTable, product: Product, c: int) -> Course:
    """What one circuit does from now on."""
    n = t.n
    if (
        product[t.by_wake[c]] == YES
        and (product[n * HAND + c] == NO or not t.sensed[c])
        and product[n * TRIP + c] == NO
        and not any(product[row[0]] != NO or product[row[1]] != NO for row in t.forced_by[c])
    ):
        return _stored(t, product, c)
    try:
        found = [v for v, _ in explore(t, product, lambda run: _output(run, c), 0, 0)]
    except TooMany:
        return Steady(0.0, 100.0)
    if len(found) == 1:
        return found[0]
    ends = [(v.min_pct, v.max_pct) if isinstance(v, Ramp) else (v.lo_pct, v.hi_pct) for v in found]
    return Steady(min(lo for lo, _ in ends), max(hi for _, hi in ends))


def _output(run: Run, c: int) -> Course:
    if not awake(run, run.w, c):
        return COURSE_OFF
    if by_hand(run, run.w, c):
        return COURSE_FULL
    if run.table.has_trip[c] and tripped(run, run.w, c):
        return COURSE_OFF
    force = forced(run, run.w, c)
    if force:
        return COURSE_FULL if force & 4 or not inhibited(run, run.w, c) else COURSE_OFF
    return _stored(run.table, tuple(run.w), c)


def _stored(t: ClusterTable, product: Product, c: int) -> Course:
    ramp: Ramp | None = product[t.n * RAMP + c]
    if ramp is not None:
        return ramp
    s = product[c]
    lo, hi = s[0][0], s[-1][1]
    if hi <= 0.0:
        return COURSE_OFF
    if lo == 100.0:
        return COURSE_FULL
    for f in t.holds_of[c]:
        hold = product[f.hold]
        if hold is not None and hold[0] not in (WAIT, RAMPING):
            dim = t.dims[c]
            assert dim is not None
            return Steady(min(lo, dim.min_pct), 100.0)
    return Steady(lo, hi)


def keep(t: ClusterTable, product: Product, signal: str, lo: float, hi: float) -> Product | None:
    """The part of the product in which the signal lies in [lo, hi]; None when there is none."""
    kind, _, subject = signal.partition(":")
    if kind in ("level", "state", "fault"):
        if subject not in t.names:
            return product
        return _kept(t, product, lambda run: _agrees(run, kind, t.names.index(subject), lo, hi))
    if kind == "sensor" and subject in t.sensors:
        return _kept(t, product, lambda run: lo <= _reads(run, subject) <= hi)
    slot = t.shed_slot.get(subject, -1)
    if slot < 0 or kind != "shed":
        return product
    bits = product[slot] & ((NO if lo <= 0.0 <= hi else 0) | (YES if lo <= 1.0 <= hi else 0))
    return (*product[:slot], bits, *product[slot + 1 :]) if bits else None


def _kept(t: ClusterTable, product: Product, agrees: Callable[[Run], bool]) -> Product | None:
    try:
        left = [tuple(run.w) for ok, run in explore(t, product, agrees, 0, 0) if ok]
    except TooMany:
        return product
    if not left:
        return None
    return left[0] if len(left) == 1 else join(t, left)


def _reads(run: Run, name: str) -> int:
    """A sensor as the box takes it: its value, or what stands for it when it is lost."""
    t = run.table
    reads = next((row[2] for rows in t.forced_by for row in rows if row[0] == t.sensors[name]), -1)
    if reads >= 0 and ask(run, run.w, t.sensor_lost[name]):
        return reads
    return int(ask(run, run.w, t.sensors[name]))


def _agrees(run: Run, kind: str, c: int, lo: float, hi: float) -> bool:
    w = run.w
    if kind == "fault":
        return lo <= fault(run, c) <= hi
    if not awake(run, w, c):
        return lo <= 0.0 <= hi
    fixed = _fixed(run, c)
    if kind == "state":
        on, off = lo <= 1.0 <= hi, lo <= 0.0 <= hi
        if fixed is not None:
            return on if fixed > 0.0 else off
        part = (*(OFF if off and w[c][0][0] <= 0.0 else ()), *(positive(w[c]) if on else ()))
    else:
        if fixed is not None:
            return lo <= fixed <= hi
        part = clip(w[c], lo, hi)
        if part and _moves(run, c, hi):
            if _stands(run, c, lo, hi):
                return False
            part = w[c]  # a level under way says little about the stored one
    if not part:
        return False
    if part != w[c]:
        run.narrow(w, c, part)
    if part == OFF:
        _idle(run, c)
    return True


def _idle(run: Run, c: int) -> None:
    """Stored off: no timer runs, and nobody holds the circuit on (zeroing spends keys and holds)."""
    t, w = run.table, run.w
    w[t.n * TIMER + c] = None
    for key in t.momentary_keys[c]:
        w[key] = NO
    for f in t.holds_of[c]:
        if f.kind == "toggle" and w[f.hold] is not None:
            w[f.hold] = None
            for key in f.keys:
                w[key] = NO


def _fixed(run: Run, c: int) -> float | None:
    """The output where it does not come from the stored level, in percent."""
    w = run.w
    if by_hand(run, w, c):
        return 100.0
    if run.table.has_trip[c] and tripped(run, w, c):
        return 0.0
    force = forced(run, w, c)
    if force:
        return 100.0 if force & 4 or not inhibited(run, w, c) else 0.0
    return None


def _moves(run: Run, c: int, hi: float) -> bool:
    """Is the level under way, or may it be in a hold that began before we looked?"""
    t, w = run.table, run.w
    if w[t.n * RAMP + c] is not None:
        return True
    dim = t.dims[c]
    if dim is None or hi < dim.min_pct:
        return False
    return any(w[f.hold] is not None and w[f.hold][0] != WAIT and held(run, f) for f in t.holds_of[c])


def _stands(run: Run, c: int, lo: float, hi: float) -> bool:
    """Standing still between the ends: contradicts a ramp that must have begun unseen."""
    t, w = run.table, run.w
    dim = t.dims[c]
    if dim is None or hi - lo >= (100.0 - dim.min_pct) / 4:
        return False
    at_end = not dim.turns and (lo <= dim.min_pct <= hi or lo <= 100.0 <= hi)
    return not at_end and any(w[f.hold] is not None and w[f.hold][0] == MOVING for f in t.holds_of[c])


def fault(run: Run, c: int) -> float:
    """The fault flag the box shows: by hand before tripped."""
    if not awake(run, run.w, c):
        return 0.0
    if by_hand(run, run.w, c):
        return float(FAULT_BY_HAND)
    if run.table.has_trip[c] and tripped(run, run.w, c):
        return float(FAULT_TRIPPED)
    return 0.0


def adopt(t: ClusterTable, t_ns: int, seen: Mapping[str, float]) -> list[Product]:
    """Observed variables as seen, everything hidden unknown; never empty."""
    found = []
    for product in unknown(t, t_ns):
        left: Product | None = product
        for signal, value in sorted(seen.items()):
            if left is not None:
                left = keep(t, left, signal, *_span(t, signal, value))
        if left is not None:
            found.append(left)
    return list(dict.fromkeys(found)) or [_taken(t, t_ns, seen)]


def _span(t: ClusterTable, signal: str, value: float) -> tuple[float, float]:
    if not signal.startswith("level:") or value <= 0.0:
        return value, value
    return max(value - 1.0, 1e-6), min(value + 1.0, 100.0)


def _taken(t: ClusterTable, t_ns: int, seen: Mapping[str, float]) -> Product:
    """A state the spec does not know: outputs exactly as seen, no lock, the rest unknown."""
    w = list(unknown(t, t_ns)[-1])
    for c, name in enumerate(t.names):
        shown = seen.get(f"level:{name}")
        if shown is None and seen.get(f"state:{name}") is not None:
            shown = 100.0 if seen[f"state:{name}"] > 0.0 else 0.0
        if shown is None:
            continue
        flag = seen.get(f"fault:{name}")
        w[t.n * TRIP + c] = YES if flag == FAULT_TRIPPED and t.has_trip[c] else NO
        w[t.n * HAND + c] = YES if flag == FAULT_BY_HAND else NO if t.sensed[c] else MAYBE
        w[c] = OFF if shown <= 0.0 else ((max(shown - 1.0, 1e-6), min(shown + 1.0, 100.0)),)
    for name, slot in t.sensors.items():
        value = seen.get(f"sensor:{name}")
        if value is not None:
            w[slot] = YES if value > 0.0 else NO
    return tuple(w)
