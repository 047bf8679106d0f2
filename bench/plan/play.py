"""Steps written one after the other behind a plan, with the boat simulated beside them."""

from __future__ import annotations

from dataclasses import replace

from bench.core.plan import LOOK, Plan, Step
from bench.oracle import Oracle
from bench.spec.model import Spec

from .act import Script
from .desk import Desk
from .pace import Pace
from .sim import Sim

MOST_ROUNDS = 3


class Player:
    """`t_ms`: where the next step goes; `steps`: those written so far; `sim`: the boat after them.
    `dwell_ms`: at least so long between stimuli."""

    def __init__(self, spec: Spec, plan: Plan, *, dwell_ms: float = 0.0) -> None:
        self.spec, self.model, pace = spec, Oracle(spec), Pace.of(spec)
        self.pace = replace(pace, dwell=max(pace.dwell, dwell_ms))
        self.sim = Sim(self.model, spec)
        for step in plan.steps:
            self.sim.advance(step.at_ms)
            if step.kind not in (LOOK, "frame"):
                self.sim.enact(step.kind, step.name, step.value)
        self.t_ms = plan.duration_ms
        self.sim.advance(self.t_ms)
        self.desk = Desk(spec, self.sim, self.pace, short=False, seed=0)
        self.steps: list[Step] = []

    def step(self, step: Step, then_ms: float) -> None:
        """One step at `t_ms`, and what follows comes `then_ms` later."""
        self.steps.append(step)
        if step.kind != LOOK:
            self.sim.enact(step.kind, step.name, step.value)
        self.t_ms += then_ms
        self.sim.advance(self.t_ms)

    def settle(self) -> None:
        """Until the last step is a dwell ago."""
        if self.steps:
            self.t_ms = max(self.t_ms, self.steps[-1].at_ms + self.pace.dwell)
            self.sim.advance(self.t_ms)

    def do(self, script: Script) -> None:
        """All that a script wants."""
        for act in script:
            then_ms = act.then_ms if act.kind == "wait" else max(act.then_ms, self.pace.apart)
            self.step(Step(self.t_ms, act.kind, act.name, act.value, act.about, act.covers), then_ms)

    def to_rest(self, why: str) -> None:
        """Everything off, counted positions at their last one."""
        for _ in range(MOST_ROUNDS):
            self.do(self.desk.together(self.spec.circuits, on=False, about=f"off, {why}"))
            self.do(self._counters())
            if not self.sim.not_at_rest():
                return

    def _counters(self) -> Script:
        for f in self.desk.functions("cycle"):
            last = len(f.positions)
            for _ in range(last if f.position == "counter" else 0):
                if self.sim.position(f.name) == last:
                    break
                yield from self.desk.tap(f.name, "counted", f"{f.name} to its last position")
