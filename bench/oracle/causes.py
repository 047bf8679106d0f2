"""Everything that is no press: sensors, supply, wake-up, a person at the box, trips, loss, shedding, time."""

from __future__ import annotations

from .levels import NO, OFF, YES, Levels
from .presses import press, release
from .run import Run, ask, awake, by_hand, forced, level_on, rule_inhibited, tripped
from .tables import DIRECTION, HAND, MEMORY, SAVED, TIMER, TRIP, FunctionTable
from .writes import (
    FREE,
    MOVING,
    RAMPING,
    WAIT,
    begin_ramps,
    clear,
    drop_hold,
    drop_holds,
    freeze,
    keep_memory,
    lock,
    reset_counter,
    settle,
    spend_keys,
    start_after_wake,
    zero,
)

Due = tuple[str, int, int, int]  # what, which, earliest and latest instant in ns


def sensor(run: Run, name: str, value: int) -> None:
    """A sensor reads `value`."""
    t, w = run.table, run.w
    slot, lost = t.sensors[name], t.sensor_lost[name]
    wanted = YES if value else NO
    if w[slot] == wanted and w[lost] == NO:
        return
    run.past()
    w[slot], w[lost] = wanted, NO
    _force_changed(run, slot)


def sensor_lost(run: Run, name: str, value: int) -> None:
    """Nothing was heard of a sensor for long enough, or it is heard again."""
    slot = run.table.sensors[name]
    if not any(row[0] == slot and row[2] >= 0 for rows in run.table.forced_by for row in rows):
        return  # it keeps its last value
    run.past()
    run.w[run.table.sensor_lost[name]] = YES if value else NO
    _force_changed(run, slot)


def _force_changed(run: Run, slot: int) -> None:
    for c, rows in enumerate(run.table.forced_by):
        if any(row[0] == slot for row in rows):
            run.dirty |= 1 << c
            if _dimming(run, c) and forced(run, run.w, c) and not forced(run, run.past(), c):
                drop_holds(run, c)


def _dimming(run: Run, c: int) -> bool:
    return any(run.w[f.hold] is not None for f in run.table.holds_of[c])


def supply(run: Run, box: str, value: int) -> None:
    """The supply of a box goes or comes; a box that has supply again is dark until it wakes."""
    t, w = run.table, run.w
    slot = t.boxes[box]
    run.past()
    if value:
        if ask(run, w, slot):
            return
        _reset_by_supply(run, slot)
        return
    if not ask(run, w, slot):
        return
    for c in range(t.n):
        if t.by_wake[c] == slot:
            _go_dark(run, c)
    _keys_dead(run, slot)
    w[slot] = NO
    w[t.shed_slot[box]] = NO
    run.dirty = t.rule_mask if t.many_boxes else 0


def _reset_by_supply(run: Run, slot: int) -> None:
    t = run.table
    for c in range(t.n):
        if t.by_wake[c] == slot and "supply" in t.resets[c]:
            run.w[t.n * TRIP + c] = NO


def _keys_dead(run: Run, slot: int) -> None:
    """Keys of panels and screens on a box that stopped or woke: spent until released."""
    t = run.table
    for control in t.controls.values():
        f = control.function
        if control.box != slot or control.key < 0:
            continue
        if f.hold >= 0 and run.w[f.hold] is not None:
            drop_hold(run, f)
        run.w[control.key] = NO
    run.w[t.pending] = ()


def _go_dark(run: Run, c: int) -> None:
    t, w = run.table, run.w
    _let_go(run, c)
    dim = t.dims[c]
    if dim is not None and dim.remembers:
        keep_memory(run, c)
        if not dim.survives:
            w[t.n * MEMORY + c] = (100.0, 100.0)
    w[t.n * TIMER + c] = None
    w[t.n * SAVED + c] = OFF
    if not t.retained[c]:
        w[c] = OFF


def _let_go(run: Run, c: int) -> None:
    """Fingers count no more; what only a momentary key held up is not retained."""
    drop_holds(run, c)
    if run.table.retained[c] and any(ask(run, run.w, key) for key in run.table.momentary_keys[c]):
        zero(run, c)
    spend_keys(run, c)


def wake(run: Run, box: str) -> None:
    """The box woke: wake levels, then inhibits as levels; no follow edges."""
    t, w = run.table, run.w
    slot = t.boxes[box]
    run.past()
    if ask(run, w, slot):
        _wake_again(run, slot)
        _keys_dead(run, slot)
    w[slot] = YES
    w[t.shed_slot[box]] = NO
    for control in t.controls.values():
        if control.box == slot and control.key >= 0:
            w[control.key] = NO
    for f in t.counters:
        if f.reset_at_wake and any(t.by_wake[c] == slot for c in f.members):
            reset_counter(run, f)
    for c in range(t.n):
        if t.by_wake[c] == slot:
            _wake_circuit(run, c)
    for c, _ in t.inhibit_mask:
        if awake(run, w, c) and rule_inhibited(run, w, c):
            zero(run, c)


def _wake_again(run: Run, slot: int) -> None:
    """A wake of a box that was awake: by supply it is a loss and return; by message only a new start."""
    t, w = run.table, run.w
    for c in range(t.n):
        if t.by_wake[c] != slot:
            continue
        if t.dark_waker[c]:
            _go_dark(run, c)
            if "supply" in t.resets[c]:
                w[t.n * TRIP + c] = NO
        _let_go(run, c)
        keep_memory(run, c)
        w[t.n * SAVED + c] = OFF


def _wake_circuit(run: Run, c: int) -> None:
    t, w = run.table, run.w
    if t.trip_cleared[c]:
        w[t.n * TRIP + c] = NO
    w[t.n * DIRECTION + c] = 1
    level = t.wake_level[c]
    if t.has_trip[c] and tripped(run, w, c):
        w[c] = OFF
    elif level is not None:
        w[c] = level
    elif not t.retained[c]:
        w[c] = OFF
    run.dirty |= 1 << c
    start_after_wake(run, c)


def by_hand_moved(run: Run, c: int, value: int) -> None:
    """A person works the circuit at the box, or puts it back."""
    t = run.table
    run.past()
    run.w[t.n * HAND + c] = YES if value else NO
    if t.sensed[c]:
        run.dirty |= 1 << c
        if value and _dimming(run, c) and not by_hand(run, run.past(), c):
            drop_holds(run, c)


def trip(run: Run, c: int) -> None:
    """The electronic fuse opened; a seat that bypasses it has none."""
    t, w = run.table, run.w
    if not t.has_trip[c] or not awake(run, w, c) or ask(run, w, t.n * HAND + c):
        return
    run.past()
    drop_holds(run, c)
    spend_keys(run, c)
    zero(run, c)
    w[t.n * TRIP + c] = YES
    run.dirty |= 1 << c


def node_lost(run: Run, node: str, value: int) -> None:
    """A panel or screen was silent for long enough (1). Its return (0) changes nothing by itself."""
    t, w = run.table, run.w
    if not value:
        return
    run.past()
    kept: set[int] = set()
    for control in t.nodes[node]:
        lost, f = control.lost, control.function
        if lost is None or not ask(run, w, control.box):
            continue
        w[t.pending] = tuple(p for p in w[t.pending] if p[1] != control.name)
        if f.kind == "momentary" and lost.momentary == "release":
            release(run, control)
        elif f.hold >= 0 and lost.dim == "freeze" and w[f.hold] is not None and ask(run, w, control.key):
            kept.update(f.members)
            drop_hold(run, f)
    for control in t.nodes[node]:
        if control.lost is not None and control.lost.others == "off" and control.function.kind != "momentary":
            _others_off(run, control.function, kept, {c.key for c in t.nodes[node]})


def _others_off(run: Run, f: FunctionTable, kept: set[int], own: set[int]) -> None:
    """`own`: keys of the lost node itself, which hold nothing up."""
    t = run.table
    for c in f.members:
        if c in kept or (t.many_boxes and not awake(run, run.w, c)):
            continue
        if not any(ask(run, run.w, key) for key in t.momentary_keys[c] if key not in own):
            zero(run, c)


def shed(run: Run, box: str, value: int) -> None:
    """The supply was low for long enough (1), or is restored (0)."""
    t, w = run.table, run.w
    slot = t.shed_slot[box]
    if not ask(run, w, t.boxes[box]):
        return
    run.past()
    mine = [c for c in range(t.n) if t.shed_mask[c] and t.by_wake[c] == t.boxes[box]]
    if not mine or ask(run, w, slot) == bool(value):
        return
    if not value:
        w[slot] = NO
        for c in mine:
            run.dirty |= 1 << c
            _restore(run, c)
        return
    w[slot] = YES
    for c in mine:
        run.dirty |= 1 << c
        freeze(run, c)
        if t.restores[c]:
            w[t.n * SAVED + c] = w[c]
        spend_keys(run, c)
        zero(run, c)
        if t.has_trip[c] and tripped(run, w, c):
            clear(run, c, "shed")


def _restore(run: Run, c: int) -> None:
    t, w = run.table, run.w
    slot = t.n * SAVED + c
    saved: Levels = w[slot]
    w[slot] = OFF
    if saved[-1][1] <= 0.0 or lock(run, w, c) != FREE or forced(run, w, c) or level_on(run, w, c):
        return
    w[c] = saved
    start_after_wake(run, c)


def fire(run: Run, due: Due) -> None:
    """The change `due` happens between the run's instants."""
    what, which, _, _ = due
    t, w = run.table, run.w
    if what == "timer":
        run.past()
        if level_on(run, w, which):
            zero(run, which)
        w[t.n * TIMER + which] = None
    elif what == "hold":
        _hold_reached(run, t.hold_functions[which])
    elif what == "counter":
        reset_counter(run, t.counters[which])
    elif what == "press":
        entry = w[t.pending][which]
        w[t.pending] = w[t.pending][:which] + w[t.pending][which + 1 :]
        press(run, t.controls[entry[1]], entry[2])
    settle(run)


def _hold_reached(run: Run, f: FunctionTable) -> None:
    hold = run.w[f.hold]
    run.past()
    if hold[0] == WAIT:
        run.w[f.hold] = (RAMPING, *hold[1:])
        begin_ramps(run, f, hold[1])
    else:
        run.w[f.hold] = (MOVING, 0, hold[2])
