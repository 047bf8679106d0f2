"""Overload trips: a person overloads a circuit that is on, for a moment, with what this bench has for it."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from bench.core.plan import OVERLOAD, Plan, Step
from bench.spec.model import Circuit, Spec

from .by_hand import OVERLOAD_WORD as TRIP
from .by_hand import QUIET, WATCHED_MS, leaders
from .play import Player

MOST_PRESSES = 4


def with_trips(
    spec: Spec, plan: Plan, reached: Collection[str] | None, limited: Collection[str] = ()
) -> Plan:
    """`plan`, and then the trip of each circuit that has one: tripped, cleared as agreed, worked again. It
    comes last: after a trip that nobody confirmed nothing more is done. `reached`: circuits that the bench's
    fixtures can overload (None: it has none); `limited`: those with a limit stay off."""
    player = Player(spec, plan)
    left: dict[str, list[str]] = {}
    done = []
    for circuit in spec.circuits.values():
        if circuit.trip is None:
            continue
        why = _why_not(player, circuit, reached, limited)
        if why:
            left.setdefault(why, []).append(circuit.name)
            continue
        player.to_rest("before one is overloaded")
        _one(player, circuit)
        done.append(circuit.name)
    not_tested = {k: v for k, v in plan.not_tested.items() if k != TRIP}
    if left:
        not_tested[TRIP] = "; ".join(f"{', '.join(names)}: {why}" for why, names in left.items())
    if not done:
        return replace(plan, not_tested=not_tested)
    player.to_rest("after the last overload")
    return replace(
        plan, steps=(*plan.steps, *player.steps), duration_ms=player.t_ms,
        covered=(*plan.covered, f"{TRIP}: {'; '.join(done)}"), not_tested=not_tested,
    )  # fmt: skip


def _why_not(
    player: Player, circuit: Circuit, reached: Collection[str] | None, limited: Collection[str]
) -> str:
    spec = player.spec
    if reached is None:
        return "needs a load that draws more than its fuse takes (fixtures: does: overload, by: person)"
    if circuit.name not in reached:
        return "the bench profile gives no fixture that overloads it"
    if circuit.name not in player.desk.toggle_of:
        return "no key of its own switches it on"
    if circuit.name in limited:
        return "the bench profile limits how long it may run"
    if circuit.name in leaders(spec):
        return f"{leaders(spec)[circuit.name]} would run with it while a hand is at the box"
    if circuit.auto_off is not None:
        return "a timer would end at an instant that only the person knows"
    return ""


def _one(player: Player, circuit: Circuit) -> None:
    """On, overloaded until it trips, then its key until it has gone on and off again."""
    name, key = circuit.name, player.desk.toggle_of[circuit.name].name
    assert circuit.trip is not None
    tag = f"{TRIP} {name}"
    player.do(player.desk.switch(name, on=True, about=f"{name} on, to be overloaded"))
    where = f"{name} (box {circuit.box}, channel {circuit.channel})"
    text = (
        f"{where} is on: overload it for a moment with this bench's fixture, above {circuit.trip.at_a:g} A, "
        f"until it goes off by itself, and take the overload away again. Touch no bare contact. {QUIET} "
        "It must have gone off. Has it?"
    )
    step = Step(player.t_ms, OVERLOAD, name, 1, text, (tag,))
    player.step(step, max(player.pace.dwell, WATCHED_MS))
    was_on = False
    for _ in range(MOST_PRESSES):
        if was_on and not player.desk.is_on(name):
            break
        player.do(player.desk.tap(key, "cleared", f"{name} by its key after the trip"))
        was_on = was_on or player.desk.is_on(name)
