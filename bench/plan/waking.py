"""Waking up: once with as much on as can be, and once with the rest on, or all off; once more where a circuit
was not off in either with nothing on that keeps it off. Without a supply that the bench can switch, as by a
message alone, with some on: it is to take no longer than needed then."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from bench.core.event import PRESS
from bench.spec.model import Function

from .act import Act, Script
from .desk import Desk
from .lost import may_run
from .rules import let_end, waken

MOST_TIMES = 3  # all on that can be, the rest, and neither of two of which one hides the other


def wake(desk: Desk, *, supply: bool) -> Script:
    """Awake anew (after the supply was away, where the bench can switch it): all comes up as agreed."""
    left = [c for c in desk.spec.circuits if desk.reach(c) and _may_be_on(desk, c)]
    if not supply:
        yield from _awake_anew(desk, _some(desk, left), set(), supply=False)
        return
    had, hidden = set[str](), set(desk.spec.circuits)
    for number in range(MOST_TIMES):
        if number > 1 and not (left and had) and not hidden:
            break
        had = set[str]()
        others = {s for c in hidden for s in _keep_off(desk, c)} | hidden if number > 1 else set()
        yield from _awake_anew(desk, [c for c in left if c not in others], had, supply=True)
        left = [c for c in left if c not in had]
        hidden = {c for c in hidden if c in had or not had.isdisjoint(_keep_off(desk, c))}


def _keep_off(desk: Desk, circuit: str) -> set[str]:
    """Circuits that keep it off while they are on, so that nobody sees whether it is switched on."""
    box = desk.spec.boxes[desk.spec.circuits[circuit].box]
    if box.wake.others == "dark":
        return set()
    return {s for r in desk.spec.inhibits if r.circuit == circuit for s in r.sources}


def _awake_anew(desk: Desk, circuits: Sequence[str], had: set[str], *, supply: bool) -> Script:
    """`had`: is told what was on."""
    spec, held = desk.spec, list[str]()
    own = [c for c in circuits if desk.has_own_key(c)]
    yield from desk.together(own, on=True, about="on before waking anew")
    yield from let_end(desk, 0.0)
    for f in momentaries(desk, circuits):
        if leaves(desk, f):
            held.append(desk.pick(f.name, "hold"))
            rest_ms = desk.pace.dwell if may_run(spec, f) else desk.pace.respond
            yield Act(PRESS, held[-1], 1, rest_ms, f"{f.name} held before waking anew")
    had.update(c for c in circuits if desk.is_on(c))
    yield from waken(desk, supply=supply, held=held)
    yield Act("wait", "", 0, desk.pace.dwell, "outputs after waking up")
    yield from let_end(desk, max(b.wake.within_s * 1000 for b in spec.boxes.values()))
    yield from desk.all_off(c.name for c in spec.circuits.values() if c.auto_off is not None)
    yield from desk.all_off(spec.circuits)


def _some(desk: Desk, circuits: Sequence[str]) -> list[str]:
    """Two of each box that nothing else has a say in."""
    spec, found = desk.spec, list[str]()
    woken = {c for w in spec.wakes for c in w.circuits}
    for box in spec.boxes:
        mine = [c for c in circuits if spec.circuits[c].box == box and c in desk.toggle_of]
        found += [c for c in mine if c not in woken and spec.circuits[c].auto_off is None][:2]
    return found


def _may_be_on(desk: Desk, circuit: str) -> bool:
    """Whether it may be on as its box loses its supply. Where that keeps what was on: no timer that might go
    on running, and nothing that is on by a held key, which is let go meanwhile."""
    c = desk.spec.circuits[circuit]
    is_plain = c.auto_off is None and desk.has_own_key(circuit)
    return is_plain or desk.spec.boxes[c.box].wake.others == "dark"


def momentaries(desk: Desk, circuits: Collection[str]) -> list[Function]:
    """Of what is not on: those that may run for long before those that may not."""
    off = [c for c in circuits if not desk.is_on(c)]
    found = [f for f in desk.functions("momentary") if f.members[0] in off]
    return sorted(found, key=lambda f: not may_run(desk.spec, f))


def leaves(desk: Desk, f: Function) -> bool:
    """Whether its key now would switch it on, and nothing off."""
    sim = desk.sim.copy()
    before = {c: sim.on(c) for c in sim.cluster_of}
    sim.apply(PRESS, desk.keys[f.name][0], 1)
    sim.advance(sim.now_ms + desk.pace.dwell)
    now = {c: sim.on(c) for c in before}
    return now[f.members[0]] is True and all(now[c] for c, was in before.items() if was)
