"""What is done without a plan: each key once, one after the other. For comparison."""

from __future__ import annotations

from bench.core.plan import Plan
from bench.oracle import Oracle
from bench.spec.model import Spec

from .act import Job, Script
from .desk import Desk
from .pace import Pace
from .sim import Sim
from .weave import Weave


def each_key_once(spec: Spec) -> Plan:
    """Every control tapped once in the spec's order; at the end everything is switched off."""
    model, pace = Oracle(spec), Pace.of(spec)
    sim = Sim(model, spec)
    desk = Desk(spec, sim, pace, short=False, seed=0)
    weave = Weave(sim, pace)
    everything = frozenset(range(len(model.clusters)))
    end_ms = weave.run([Job("each key once", everything, lambda: _script(desk))])
    return Plan(f"{spec.boat.name}: each key once", tuple(weave.steps), end_ms + pace.dwell)


def _script(desk: Desk) -> Script:
    for control in desk.spec.controls:
        yield from desk.tap_control(control, f"{control} tapped")
    yield from desk.all_off(desk.spec.circuits)
