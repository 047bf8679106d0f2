"""Whether the scenarios of a spec say what the rest of it promises."""

from __future__ import annotations

from functools import partial

from bench.core.errors import Complaint
from bench.oracle import Oracle
from bench.spec.model import Spec

from .act import Job
from .desk import Desk
from .pace import Pace
from .scenario import SCENARIO, Player
from .sim import Sim
from .weave import Weave


def check_scenarios(spec: Spec, model: Oracle | None = None) -> list[Complaint]:
    """Every expectation that the reference model does not meet, and every step of no defined outcome.
    Dimmer memories are open at the beginning of each scenario."""
    found: list[Complaint] = []
    if not spec.scenarios:
        return found
    model = Oracle(spec) if model is None else model
    pace = Pace.of(spec)
    for name, steps in spec.scenarios.items():
        sim = Sim(model, spec, remembered=False)
        desk = Desk(spec, sim, pace, short=False, seed=0)
        player = Player(desk, name, steps, partial(_say, spec, name, found))
        everything = frozenset(sim.cluster_of.values())
        Weave(sim, pace).run([Job(f"{SCENARIO} {name}", everything, player.script)])
    return sorted(found, key=lambda c: (c.line or 0, c.column or 0))


def _say(
    spec: Spec, name: str, found: list[Complaint], step: int, text: str, expected: str = "",
    advice: str = "", *, key: str = "",
) -> None:  # fmt: skip
    at = f"scenarios.{name}" if step < 0 else f"scenarios.{name}.{step + 1}"
    line, column = spec.places.get(f"{at}.{key}") or spec.places.get(at) or (None, None)
    found.append(Complaint(f'scenario "{name}": {text}', spec.path, line, column, expected, advice))
