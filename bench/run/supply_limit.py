"""The supply's current limit: what a plan can have on at a time, and never more than the bench bears."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

from bench.assess.witnessed import drawn_loads
from bench.core.errors import Complaint, UsageError
from bench.core.link import LinkFacts
from bench.core.plan import LOOK, OVERLOAD, VOLTS, Plan
from bench.loads import drawn
from bench.oracle import Oracle
from bench.plan.sim import Sim
from bench.rig import Setting
from bench.spec.model import Spec
from bench.spec.profile import BenchProfile

from .limits import LOOK_MS

STANDBY_A = 2.0  # boxes, panels and screens themselves (assumed)
MARGIN = 1.1
STARTS_MS = 300.0  # a load that went on so long ago may still draw its inrush
STARTS = {"lamp": 13.0, "motor": 6.0, "electronic": 3.0, "led": 2.0}  # times its current (common practice)
OVERLOADED = 4.0  # times what trips: a fixture that overloads draws no more (assumed)


class Need(NamedTuple):
    """The most that what a plan has on at a time can draw, and the same with what is starting then."""

    steady_a: float
    starting_a: float


def need_of(spec: Spec, plan: Plan, profile: BenchProfile | None, volts: float) -> Need:
    """What a plan may take from the supply; perhaps on counts as on."""
    counted = _Count(spec, profile, volts)
    counted.wake()
    t_ms = 0.0
    for step in plan.steps:
        while t_ms + LOOK_MS < step.at_ms:
            t_ms += LOOK_MS
            counted.look(t_ms)
        t_ms = max(t_ms, step.at_ms)
        trip = spec.circuits[step.name].trip if step.kind == OVERLOAD else None
        counted.look(t_ms, OVERLOADED * trip.at_a if trip is not None else 0.0)
        if step.kind not in (LOOK, "frame"):
            counted.sim.enact(step.kind, step.name, step.value)
        counted.look(t_ms)
    return Need(*(round(MARGIN * most_a + STANDBY_A, 1) for most_a in counted.most_a))


class _Count:
    def __init__(self, spec: Spec, profile: BenchProfile | None, volts: float) -> None:
        self._spec, self.sim = spec, Sim(Oracle(spec), spec)
        self.most_a = Need(0.0, 0.0)
        self._loads = drawn_loads(spec, profile)
        self._full_a = {name: drawn(load, 100.0, volts).hi_a for name, load in self._loads.items()}
        self._since: dict[str, float] = {}

    def wake(self) -> None:
        """Adds up what may come on at once as the boxes wake, before the plan."""
        retains = {b.name for b in self._spec.boxes.values() if b.wake.others == "retained"}
        woken = {name for rule in self._spec.wakes for name in rule.circuits}
        may = [c.name for c in self._spec.circuits.values() if c.name in woken or c.box in retains]
        starts = [(self._full_a[n], STARTS.get(self._loads[n].kind, 1.0)) for n in may if n in self._loads]
        self.most_a = Need(sum(a for a, _ in starts), sum(a * times for a, times in starts))

    def look(self, t_ms: float, more_a: float = 0.0) -> None:
        """Adds up what is on now, and `more_a` for a moment."""
        self.sim.advance(t_ms)
        steady = starting = 0.0
        for name, load in self._loads.items():
            if self.sim.on(name) is False:
                self._since.pop(name, None)
                continue
            is_new = t_ms - self._since.setdefault(name, t_ms) < STARTS_MS
            steady += self._full_a[name]
            starting += self._full_a[name] * (STARTS.get(load.kind, 1.0) if is_new else 1.0)
        most = self.most_a
        self.most_a = Need(max(most.steady_a, steady), max(most.starting_a, starting + more_a))


def limited(setting: Setting, need: Need) -> Setting:
    """The setting with the limit that a plan needs, where the bench bears more."""
    return replace(setting, limit_a=min(setting.limit_a, need.starting_a))


def too_little(setting: Setting, need: Need) -> tuple[Complaint, ...]:
    """A warning where what the plan has on at a time may draw more than the supply may give."""
    if need.steady_a <= setting.limit_a:
        return ()
    text = f"what the plan has on at a time may draw {need.steady_a:g} A, and the supply may give "
    advice = "the run ends where that is reached: raise limit_a if the wires bear it, or hang on less"
    return (Complaint(f"{text}{setting.limit_a:g} A", severity="warning", advice=advice),)


def refuse_unmovable(plan: Plan, facts: LinkFacts) -> None:
    """Raises UsageError for a plan that moves a supply which this bench cannot move."""
    if not facts.sets_volts and any(step.kind == VOLTS for step in plan.steps):
        advice = "give --bench the profile for which it was made, or make another plan"
        raise UsageError(
            Complaint("the plan sets the supply's voltage, which this bench cannot", advice=advice)
        )
