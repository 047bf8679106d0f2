"""Writes to stored levels, what they carry along (timer, memory, holds), and the rules that answer them.

S is the stored level, T its timer. Rows and words are those of the meaning document.
"""

from __future__ import annotations

from typing import Any

from bench.core.timeline import Ramp

from .levels import FULL, NO, OFF, Interval, Levels, hull, levels, positive
from .run import Run, ask, by_hand, forced, inhibited, level_on, rule_inhibited, source_on, tripped
from .tables import DIRECTION, MEMORY, RAMP, SAVED, TIMER, TRIP, DimTable, FunctionTable

LINK = "as stored"  # memory slot: the remembered level is the stored one
# hold slot. WAIT, RAMPING, since a press we saw: (phase, start of the ramp, whether a short release
# switches off, bits of the members it still moves). WILD, MOVING, begun before we looked, before and
# after the instant at which the ramp must have begun: (phase, that instant, whether surely held).
WAIT, RAMPING, WILD, MOVING = range(4)
FREE, SKIP, TRIPPED = range(3)


def lock(run: Run, v: list[Any], c: int) -> int:
    """What a press on circuit `c` meets: FREE, SKIP (refused) or TRIPPED."""
    t = run.table
    if t.many_boxes and not ask(run, v, t.by_wake[c]):
        return SKIP
    if t.hand_ignores[c] and by_hand(run, v, c):
        return SKIP
    if t.has_trip[c] and tripped(run, v, c):
        return TRIPPED
    if t.forced_by[c] and forced(run, v, c) & 2:
        return SKIP
    if (t.inhibited_by[c] or t.shed_refuses[c] >= 0) and inhibited(run, v, c):
        return SKIP
    return FREE


def zero(run: Run, c: int, by: FunctionTable | None = None) -> None:
    """S := 0 and T stopped; a hold on the circuit is spent, a key that holds it on only when no press does
    this. `by`: the pressed function, if any."""
    w, t = run.w, run.table
    if by is not None and t.counter_reset[c] and level_on(run, w, c):
        _others_changed(run, c, by)
    if by is not None and t.restores[c]:
        w[t.n * SAVED + c] = OFF  # a person wrote: nothing is restored
    if w[c][-1][1] <= 0.0:
        return
    run.past()
    drop_holds(run, c)
    keep_memory(run, c)
    w[c] = OFF
    w[t.n * TIMER + c] = None
    run.dirty |= 1 << c
    if by is None:
        spend_keys(run, c)


def put_on(run: Run, c: int, by: FunctionTable | None = None) -> None:
    """An on-write: nothing when already on, else the remembered level or 100 %, and T starts."""
    w, t = run.w, run.table
    s: Levels = w[c]
    if by is not None and t.restores[c]:
        w[t.n * SAVED + c] = OFF
    if s[0][0] > 0.0:
        return
    dim = t.dims[c]
    plain = (dim is None or not dim.remembers) and t.auto[c] is None and not t.counter_reset[c]
    if s[-1][1] > 0.0 and plain and not t.rule_mask >> c & 1:
        w[c] = levels((*positive(s), *FULL))  # on either way: no need to know which
        return
    if level_on(run, w, c):
        return
    run.past()
    w[c] = FULL if dim is None or not dim.remembers else _recall(run, c)
    _start_timer(run, c)
    run.dirty |= 1 << c
    if by is not None:
        for f in t.holds_of[c]:
            if f is not by and w[f.hold] is not None:
                _drop_member(run, f, c)
        if t.counter_reset[c]:
            _others_changed(run, c, by)


def put_level(run: Run, c: int, preset: Levels, by: FunctionTable) -> None:
    """A scene's write: sets the level of a circuit that is on as well; 0 % switches off."""
    if preset == OFF:
        zero(run, c, by)
        return
    w, t = run.w, run.table
    run.past()
    if t.restores[c]:
        w[t.n * SAVED + c] = OFF
    moving = w[t.n * RAMP + c] is not None
    if (t.counter_reset[c] or t.holds_of[c]) and (moving or not at_preset(run, w, c, preset)):
        _others_changed(run, c, by)
        drop_holds(run, c)
    dim = t.dims[c]
    if dim is not None and dim.remembers:
        if dim.scene_changes:
            w[t.n * MEMORY + c] = LINK
        else:
            keep_memory(run, c)
    if t.auto[c] is not None and not level_on(run, w, c):
        _start_timer(run, c)
    w[c] = preset
    run.dirty |= 1 << c


def at_preset(run: Run, v: list[Any], c: int, preset: Levels) -> bool:
    """Does the stored level stand at the preset?"""
    s: Levels = v[c]
    if s == preset:
        return True
    p = preset[0][0]
    if not any(lo - 1e-9 <= p <= hi + 1e-9 for lo, hi in s):
        return False
    if not run.choose(2):
        return False
    if v[run.table.n * RAMP + c] is None:
        run.narrow(v, c, preset)
        if preset == OFF:
            run.narrow(v, run.table.n * TIMER + c, None)
    return True


def start_after_wake(run: Run, c: int) -> None:
    """T runs for a circuit that is on after wake-up, and only then."""
    w, t = run.w, run.table
    if t.auto[c] is None:
        return
    if level_on(run, w, c):
        _start_timer(run, c)
    else:
        w[t.n * TIMER + c] = None


def _start_timer(run: Run, c: int) -> None:
    auto = run.table.auto[c]
    if auto is not None:
        run.w[run.table.n * TIMER + c] = (run.t_lo + auto[0], run.t_hi + auto[1])


def _recall(run: Run, c: int) -> Levels:
    slot = run.table.n * MEMORY + c
    held: Interval = run.w[slot]
    run.w[slot] = LINK
    return (held,)


def keep_memory(run: Run, c: int) -> None:
    """Take the stored level into the memory, where it was remembered by reference."""
    slot = run.table.n * MEMORY + c
    if run.w[slot] is LINK or run.w[slot] == LINK:
        run.w[slot] = hull(positive(run.w[c]) or FULL)


def _others_changed(run: Run, c: int, by: FunctionTable) -> None:
    for f in run.table.counter_reset[c]:
        if f is not by:
            reset_counter(run, f)


def reset_counter(run: Run, f: FunctionTable) -> None:
    """The count starts anew: the next press reaches position 1."""
    run.past()
    run.w[f.counter] = 1 << (len(f.masks) - 1)
    if f.counter_timer >= 0:
        run.w[f.counter_timer] = None


def clear(run: Run, c: int, word: str, *, asked: bool = False) -> None:
    """Clear the latch if `word` is among the events that do; never so that a force closes the output,
    unless a person asked for the circuit at its own control."""
    if word in run.table.resets[c] and (asked or not forced(run, run.w, c)):
        run.past()
        run.w[run.table.n * TRIP + c] = NO
        run.dirty |= 1 << c


def spend_keys(run: Run, c: int) -> None:
    """Keys that hold the circuit on have no effect any more until released."""
    for key in run.table.momentary_keys[c]:
        run.w[key] = NO


def drop_holds(run: Run, c: int) -> None:
    """Dimming holds on the circuit are spent; levels stay where they are."""
    for f in run.table.holds_of[c]:
        if run.w[f.hold] is not None:
            _drop_member(run, f, c)


def _drop_member(run: Run, f: FunctionTable, c: int) -> None:
    """The hold moves this member no more; a group's hold goes on for its other members."""
    w, hold = run.w, run.w[f.hold]
    if f.members == (c,) or (len(hold) == 4 and hold[3] == 1 << c):
        drop_hold(run, f)
    elif len(hold) < 4:  # which members an unseen hold moves is not known
        run.past()
        w[f.hold] = (hold[0], hold[1], False)
        for key in f.keys:
            w[key] |= NO
        _either_way(run, c)
    elif hold[3] >> c & 1:
        run.past()
        w[f.hold] = (*hold[:3], hold[3] & ~(1 << c))
        if hold[0] == RAMPING:
            freeze(run, c)


def _either_way(run: Run, c: int) -> None:
    """The next dimming direction is not known."""
    dim = run.table.dims[c]
    if dim is not None and dim.alternates:
        run.w[run.table.n * DIRECTION + c] = 3


def held_members(run: Run, f: FunctionTable) -> tuple[int, ...]:
    """Members that the hold of this function moves or will move."""
    hold = run.w[f.hold]
    if hold is None or len(hold) < 4:
        return f.members
    return tuple(c for c in f.members if hold[3] >> c & 1)


def drop_hold(run: Run, f: FunctionTable) -> None:
    """This dimming hold is spent; its members stay where they are."""
    run.past()
    members = () if run.w[f.hold][0] == WAIT else held_members(run, f)
    end_hold(run, f)
    for c in members:
        freeze(run, c)


def end_hold(run: Run, f: FunctionTable) -> None:
    """No key holds the function any more. What an unseen hold did leaves the next way open."""
    w = run.w
    unseen = w[f.hold] is not None and w[f.hold][0] in (WILD, MOVING)
    w[f.hold] = None
    for key in f.keys:
        w[key] = NO
    for c in f.members if unseen else ():
        _either_way(run, c)


def freeze(run: Run, c: int) -> None:
    """A moving level stops: anywhere the ramp may be, press and release each late by up to respond_ms."""
    w, t = run.w, run.table
    ramp: Ramp | None = w[t.n * RAMP + c]
    if ramp is None:
        return
    slack = t.respond_ns[c]
    since, until = run.t_lo - slack, run.t_hi + slack
    lo, hi = ramp.span(since, until)
    run.past()
    dim = t.dims[c]
    if dim is not None and dim.alternates:
        w[t.n * DIRECTION + c] = _next_way(ramp, since, until)
    w[t.n * RAMP + c] = None
    w[c] = FULL if lo == hi == 100.0 else ((lo, hi),)


def _next_way(ramp: Ramp, since_ns: int, until_ns: int) -> int:
    """For `alternate`: the other way than the ramp was moving when it ended; 1 down, 2 up, 3 either."""
    width = ramp.max_pct - ramp.min_pct
    if not ramp.turns or width <= 0.0:
        return 2 if ramp.direction < 0 else 1
    first = max(0, since_ns - ramp.t_ns) * 1e-9 * ramp.slow
    last = max(0, until_ns - ramp.t_ns) * 1e-9 * ramp.fast
    if ramp.direction < 0:
        first, last = first + ramp.max_pct - ramp.hi_pct, last + ramp.max_pct - ramp.lo_pct
    else:
        first, last = first + width + ramp.lo_pct - ramp.min_pct, last + width + ramp.hi_pct - ramp.min_pct
    legs = range(int(first // width), min(int(last // width), int(first // width) + 1) + 1)
    return (2 if any(leg % 2 == 0 for leg in legs) else 0) | (1 if any(leg % 2 for leg in legs) else 0)


def begin_ramps(run: Run, f: FunctionTable, start_ns: int) -> None:
    """Hold reached: every member that is on, dims and is free begins to move."""
    w, t = run.w, run.table
    for c in held_members(run, f):
        dim = t.dims[c]
        if dim is None or lock(run, w, c) != FREE:
            continue
        if level_on(run, w, c):
            run.past()
            for other in t.holds_of[c]:
                if other is not f and w[other.hold] is not None:
                    _drop_member(run, other, c)
            for counted in t.counter_reset[c]:
                if counted is not f:
                    reset_counter(run, counted)
            _begin_ramp(run, c, dim, start_ns)


def _begin_ramp(run: Run, c: int, dim: DimTable, start_ns: int) -> None:
    w, n = run.w, run.table.n
    down = _goes_down(run, c, dim)
    lo, hi = hull(w[c])
    lo = max(lo, dim.min_pct)
    way = -1 if down else 1
    ramp = Ramp(start_ns, lo, max(hi, lo), way, dim.slow, dim.fast, dim.min_pct, 100.0, dim.turns)
    if dim.remembers:
        w[n * MEMORY + c] = LINK
    w[n * RAMP + c] = ramp
    w[c] = ((dim.min_pct, 100.0),)


def _goes_down(run: Run, c: int, dim: DimTable) -> bool:
    """First or always down; `alternate`: the other way than last time, but away from an end."""
    if not dim.alternates:
        return True
    w = run.w
    lo, hi = hull(w[c])
    for end, away_is_down in ((100.0, True), (dim.min_pct, False)):
        if lo == hi == end:
            return away_is_down
        if lo <= end <= hi and run.choose(2):
            run.narrow(w, c, ((end, end),))
            return away_is_down
    slot = run.table.n * DIRECTION + c
    if w[slot] == 3:
        run.narrow(w, slot, 1 + run.choose(2))
    return bool(w[slot] == 1)


def settle(run: Run) -> None:
    """Inhibits, then follows, until nothing moves any more."""
    t = run.table
    if not run.dirty & t.rule_mask:
        return
    inhibits: dict[int, bool] = {}
    follows: dict[int, bool] = {}
    for _ in range(4 * t.n + 8):
        if not _inhibit_edges(run, inhibits) and not _follow_edges(run, follows):
            return


def _inhibit_edges(run: Run, known: dict[int, bool]) -> bool:
    moved = False
    for c, mask in run.table.inhibit_mask:
        if not run.dirty & mask or (run.table.many_boxes and not ask(run, run.w, run.table.by_wake[c])):
            continue
        now = rule_inhibited(run, run.w, c)
        was = known[c] if c in known else now and rule_inhibited(run, run.past(), c)
        known[c] = now
        if now and not was:
            held = run.w[c]
            _begin_inhibit(run, c)
            moved = moved or run.w[c] is not held
    return moved


def _begin_inhibit(run: Run, c: int) -> None:
    """Z, a held key is spent; the latch is cleared where an inhibit does that."""
    drop_holds(run, c)
    spend_keys(run, c)
    zero(run, c)
    run.dirty |= 1 << c
    if run.table.has_trip[c] and tripped(run, run.w, c):
        clear(run, c, "inhibit")


def _follow_edges(run: Run, known: dict[int, bool]) -> bool:
    w, moved = run.w, False
    for i, (c, sources, seen, drops, mask) in enumerate(run.table.follows):
        if not run.dirty & mask or (run.table.many_boxes and not ask(run, w, run.table.by_wake[c])):
            continue
        now = source_on(run, w, sources, seen)
        was = known[i] if i in known else source_on(run, run.past(), sources, seen)
        known[i] = now
        if now == was:
            continue
        held = w[c]
        if now and lock(run, w, c) == FREE and not forced(run, w, c):
            put_on(run, c)
        elif not now and drops:
            zero(run, c)
        moved = moved or w[c] is not held
    return moved
