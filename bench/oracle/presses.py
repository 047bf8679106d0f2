"""What a press and a release mean, function by function."""

from __future__ import annotations

from collections.abc import Callable

from .levels import MAYBE, NO, OFF, YES, levels
from .run import Run, all_levels_on, any_level_on, ask, level_on
from .tables import DIRECTION, RAMP, ControlTable, FunctionTable
from .writes import (
    FREE,
    MOVING,
    RAMPING,
    SKIP,
    TRIPPED,
    WAIT,
    WILD,
    at_preset,
    begin_ramps,
    clear,
    end_hold,
    freeze,
    held_members,
    lock,
    put_level,
    put_on,
    zero,
)

# of a scene's other clusters: all free at preset? any free? any tripped? (three-valued)
Others = tuple[int, int, int]
ALONE: Others = (YES, NO, NO)


def press(run: Run, control: ControlTable, others: Others) -> None:
    """The control goes down."""
    if ask(run, run.w, control.box):
        _PRESS[control.function.kind](run, control, others)


def release(run: Run, control: ControlTable) -> None:
    """The control comes up."""
    if control.key < 0:
        return
    if control.function.kind == "momentary":
        _release_momentary(run, control)
    else:
        _release_dim(run, control)


def _admits(run: Run, c: int, *, asked: bool = True) -> bool:
    """A single circuit's control: is it free? A tripped one is cleared, and that is all."""
    met = lock(run, run.w, c)
    if met == TRIPPED:
        clear(run, c, "control", asked=asked)
    return met == FREE


def _toggle(run: Run, control: ControlTable, others: Others) -> None:
    f = control.function
    if f.hold >= 0:
        _press_dim(run, control)
        return
    c = f.members[0]
    if not _admits(run, c):
        return
    if level_on(run, run.w, c):
        zero(run, c, f)
    else:
        put_on(run, c, f)


def _momentary(run: Run, control: ControlTable, others: Others) -> None:
    c = control.function.members[0]
    if run.w[control.key] != YES and _admits(run, c):
        run.past()
        put_on(run, c, control.function)
        run.w[control.key] = YES


def _release_momentary(run: Run, control: ControlTable) -> None:
    """Z unless another control holds it; a person's letting go passes every lock."""
    if not ask(run, run.w, control.key):
        return
    run.past()
    run.w[control.key] = NO
    c = control.function.members[0]
    if not any(ask(run, run.w, key) for key in run.table.momentary_keys[c]):
        zero(run, c, control.function)


def _group(run: Run, control: ControlTable, others: Others) -> None:
    f = control.function
    if f.hold >= 0:
        _press_dim(run, control)
        return
    met = locks(run, f)
    on = _group_goes_on(run, f, met)
    if on is not None:
        _write_group(run, f, met, on=on)


def locks(run: Run, f: FunctionTable) -> list[int]:
    """What a press meets at each member of this cluster."""
    return [lock(run, run.w, c) for c in f.members]


def _group_goes_on(run: Run, f: FunctionTable, met: list[int]) -> bool | None:
    """True on, False off, None nothing: looks at the stored levels of unlocked members."""
    free = [c for c, m in zip(f.members, met, strict=True) if m == FREE]
    if free:
        return not (all_levels_on if f.all_on else any_level_on)(run, run.w, free)
    return False if TRIPPED in met else None


def _write_group(run: Run, f: FunctionTable, met: list[int], *, on: bool, word: str = "group_off") -> None:
    for c, m in zip(f.members, met, strict=True):
        if on:
            if m == FREE:
                put_on(run, c, f)
        elif m == FREE:
            zero(run, c, f)
        elif m == TRIPPED:
            clear(run, c, word)


def _cycle(run: Run, control: ControlTable, others: Others) -> None:
    f = control.function
    met = locks(run, f)
    if FREE not in met:
        if TRIPPED in met:
            _write_group(run, f, met, on=False, word="cycle_empty")
            if f.counter >= 0 and 0 in f.masks:
                run.past()
                run.w[f.counter] = 1 << f.masks.index(0)
        return
    count = len(f.masks)
    at = counted(run, f) if f.counter >= 0 else matched(run, f, met)
    mask = f.masks[(at + 1) % count]
    if f.counter >= 0:
        run.past()
        run.w[f.counter] = 1 << ((at + 1) % count)
        if f.counter_timer >= 0:
            slack = run.table.respond_ns[f.members[0]]
            run.w[f.counter_timer] = (run.t_lo + f.after_ns - slack, run.t_hi + f.after_ns + slack)
    for c, m in zip(f.members, met, strict=True):
        if m == FREE:
            if mask >> c & 1:
                put_on(run, c, f)
            else:
                zero(run, c, f)
        elif m == TRIPPED and not mask:
            clear(run, c, "cycle_empty")


def counted(run: Run, f: FunctionTable) -> int:
    """The counted position, from 0."""
    bits: int = run.w[f.counter]
    places = [p for p in range(len(f.masks)) if bits >> p & 1]
    if len(places) == 1:
        return places[0]
    at = places[run.choose(len(places))]
    run.narrow(run.w, f.counter, 1 << at)
    return at


def matched(run: Run, f: FunctionTable, met: list[int]) -> int:
    """The last position whose pattern the unlocked members show, from 0; -1 for none."""
    free = on = 0
    for c, m in zip(f.members, met, strict=True):
        if m == FREE:
            free |= 1 << c
            if level_on(run, run.w, c):
                on |= 1 << c
    return next((p for p in range(len(f.masks) - 1, -1, -1) if f.masks[p] & free == on), -1)


def _scene(run: Run, control: ControlTable, others: Others) -> None:
    f = control.function
    met = locks(run, f)
    ok = scene_stands(run, f, met) and _tri(run, others[0])
    if FREE in met or _tri(run, others[1]):
        if ok and not f.reapply:
            _write_group(run, f, met, on=False, word="scene_off")
            return
        for c, m, preset in zip(f.members, met, f.levels, strict=True):
            if m == FREE:
                put_level(run, c, preset, f)
    elif TRIPPED in met:  # nothing is free anywhere, so the press counts as going off
        _write_group(run, f, met, on=False, word="scene_off")


def scene_stands(run: Run, f: FunctionTable, met: list[int]) -> bool:
    """Do all unlocked members of this cluster stand at their presets?"""
    return all(
        at_preset(run, run.w, c, p) for c, m, p in zip(f.members, met, f.levels, strict=True) if m == FREE
    )


def _tri(run: Run, answer: int) -> bool:
    return bool(run.choose(2)) if answer == MAYBE else answer == YES


def scene_view(run: Run, f: FunctionTable) -> tuple[bool, bool, bool]:
    """For a press seen from another cluster: all free members at preset, any free, any tripped."""
    met = locks(run, f)
    return scene_stands(run, f, met), FREE in met, TRIPPED in met


def _off(run: Run, control: ControlTable, others: Others) -> None:
    f = control.function
    if not f.single:
        _write_group(run, f, locks(run, f), on=False)
    elif _admits(run, f.members[0], asked=False):
        zero(run, f.members[0], f)


def _on(run: Run, control: ControlTable, others: Others) -> None:
    f = control.function
    if not f.single:
        _write_group(run, f, locks(run, f), on=True)
    elif _admits(run, f.members[0]):
        put_on(run, f.members[0], f)


def held(run: Run, f: FunctionTable) -> bool:
    """Is a dimming hold of this function under way?"""
    hold = run.w[f.hold]
    if hold is None:
        return False
    if hold[0] in (WAIT, RAMPING) or hold[2]:
        return True
    if run.choose(2):
        run.narrow(run.w, f.hold, (hold[0], hold[1], True))
        return True
    forget_hold(run, f)
    return False


def forget_hold(run: Run, f: FunctionTable) -> None:
    """An uncertain hold turns out to be none."""
    run.narrow(run.w, f.hold, None)
    for key in f.keys:
        run.narrow(run.w, key, NO)


def _press_dim(run: Run, control: ControlTable) -> None:
    """On at press; off at release if short; the ramp comes when the hold is reached."""
    f = control.function
    hold = run.w[f.hold]
    if hold is not None and hold[0] in (WILD, MOVING):
        run.narrow(run.w, control.key, NO)  # a key that goes down was up
        if all(run.w[key] == NO for key in f.keys):
            forget_hold(run, f)
    if held(run, f):
        return
    run.past()
    live = 0
    if f.kind == "toggle":
        c = f.members[0]
        if not _admits(run, c):
            return
        live = 1 << c
        off = level_on(run, run.w, c)
        if not off:
            put_on(run, c, f)
    else:
        met = locks(run, f)
        on = _group_goes_on(run, f, met)
        if on is None:
            return
        live = sum(1 << c for c, m in zip(f.members, met, strict=True) if m == FREE)
        off = not on
        if on:
            _write_group(run, f, met, on=True)
    run.w[f.hold] = (WAIT, run.t_lo - control.shortest_ns + f.hold_ns, off, live)
    run.w[control.key] = YES


def _release_dim(run: Run, control: ControlTable) -> None:
    f, w = control.function, run.w
    hold = w[f.hold]
    if hold is None:
        return
    run.past()
    if hold[0] in (WILD, MOVING):
        _release_wild(run, control)
        return
    if not ask(run, w, control.key):
        return
    _, start, off, _ = hold
    slack = run.table.respond_ns[f.members[0]]
    if hold[0] == WAIT:
        short = start - run.t_lo > slack or not run.choose(2)
        if not short:
            begin_ramps(run, f, start)
    else:
        short = run.t_lo - start <= slack and bool(run.choose(2))
    members = held_members(run, f)
    end_hold(run, f)
    if short:
        if hold[0] == RAMPING:
            _undo_ramps(run, members)
        if off:
            _short_off(run, f, members)
    else:
        for c in members:
            freeze(run, c)


def _short_off(run: Run, f: FunctionTable, members: tuple[int, ...]) -> None:
    met = [
        SKIP if m == FREE and c not in members else m for c, m in zip(f.members, locks(run, f), strict=True)
    ]
    _write_group(run, f, met, on=False, word="group_off" if f.kind == "group" else "control")


def _undo_ramps(run: Run, members: tuple[int, ...]) -> None:
    """The box may have taken the press for a short one: levels as they were."""
    w, n = run.w, run.table.n
    for c in members:
        ramp = w[n * RAMP + c]
        if ramp is not None:
            w[c] = levels([(ramp.lo_pct, ramp.hi_pct)])
            w[n * RAMP + c] = None
            dim = run.table.dims[c]
            if dim is not None and dim.alternates:
                w[n * DIRECTION + c] = 3


def _release_wild(run: Run, control: ControlTable) -> None:
    """Release of a key that may have been dimming since before we looked."""
    f, w, t = control.function, run.w, run.table
    others = any(w[key] != NO for key in f.keys if key != control.key)
    if w[control.key] == NO or ((others or not w[f.hold][2]) and not run.choose(2)):
        w[control.key] = NO
        return
    end_hold(run, f)
    if run.choose(2):
        _short_off(run, f, f.members)
        return
    for c in f.members:
        dim = t.dims[c]
        if dim is not None and w[c] != OFF:
            w[c] = levels([(dim.min_pct, 100.0), *w[c]])


_PRESS: dict[str, Callable[[Run, ControlTable, Others], None]] = {
    "toggle": _toggle,
    "momentary": _momentary,
    "group": _group,
    "cycle": _cycle,
    "scene": _scene,
    "off": _off,
    "on": _on,
}
