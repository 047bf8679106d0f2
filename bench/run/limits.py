"""What must not run long: a plan that would have it so is refused. While a run goes, see `allowed`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from bench.core.errors import Complaint, UsageError
from bench.core.event import BY_HAND
from bench.core.plan import OVERLOAD, Plan
from bench.core.signal import FAULT_OVERCURRENT, FAULT_OVERHEAT, Observation
from bench.oracle import Oracle
from bench.plan.sim import Sim
from bench.spec.model import Spec
from bench.spec.profile import BenchProfile

from .guard import HUNG_S

AT_HAND = {BY_HAND: "worked by hand", OVERLOAD: "on to be overloaded"}
LEAST_HUNG_S = 1.0
LOOK_MS = 100.0  # between steps the model is looked at this often: timers switch there


def limits_of(profile: BenchProfile | None) -> Mapping[str, float]:
    """Circuit -> longest time on at a stretch, in s."""
    return {} if profile is None else profile.limits.circuits


def hung_after_s(limits: Mapping[str, float]) -> float:
    """A run silent for so long hangs: hardly longer than the shortest limit, as a circuit may come on by
    itself meanwhile."""
    return min([HUNG_S, *(max(LEAST_HUNG_S, limit_s) for limit_s in limits.values())])


def refuse_too_long(spec: Spec, plan: Plan, profile: BenchProfile | None) -> None:
    """Raises UsageError for a plan that exceeds a limit, and for a limit that names no circuit."""
    if profile is None:
        return
    said = []
    for word in ("horn_s", "pump_dry_s"):
        if getattr(profile.limits, word) is not None:
            text = f"limits.{word} does not say for which circuit, so nothing can hold it"
            said.append(Complaint(text, advice="give it by circuit: limits: {circuits: {NAME: seconds}}"))
    limits = limits_of(profile)
    said += [
        Complaint(f"limits.circuits.{name}: the spec has no such circuit")
        for name in limits
        if name not in spec.circuits
    ]
    if limits and not said:
        said = _too_long(spec, plan, limits)
    if said:
        raise UsageError(*said)


def on_at_most_s(spec: Spec, plan: Plan, limits: Mapping[str, float]) -> dict[str, float]:
    """How long the plan has each of these circuits on at a stretch, in s, with the time a box may take to
    switch off."""
    found = longest_on_ms(spec, plan, limits).items() if limits else ()
    return {
        name: (ms + spec.boxes[spec.circuits[name].box].respond_ms) / 1000.0 if ms else 0.0
        for name, ms in found
    }


def _too_long(spec: Spec, plan: Plan, limits: Mapping[str, float]) -> list[Complaint]:
    advice = "raise the limit if the load bears it, or run a plan without the circuit"
    said = [
        Complaint(f"the plan has {s.name} {AT_HAND[s.kind]}, for as long as a person takes", advice=advice)
        for s in plan.steps
        if s.kind in AT_HAND and s.value and s.name in limits
    ]
    for name, longest_s in on_at_most_s(spec, plan, limits).items():
        if longest_s > limits[name]:
            text = f"the plan has {name} on for up to {longest_s:.1f} s; its limit is {limits[name]:g} s"
            said.append(Complaint(text, advice=advice))
    return said


def longest_on_ms(spec: Spec, plan: Plan, names: Mapping[str, float]) -> dict[str, float]:
    """How long each circuit is on at a stretch by the model, in ms; perhaps on counts as on."""
    sim = Sim(Oracle(spec), spec)
    since: dict[str, float] = {}
    longest = dict.fromkeys(names, 0.0)

    def look(t_ms: float) -> None:
        for name in names:
            if name in since:
                longest[name] = max(longest[name], t_ms - since[name])
            if sim.on(name) is False:
                since.pop(name, None)
            else:
                since.setdefault(name, t_ms)

    t_ms = 0.0
    for step in plan.steps:
        while t_ms + LOOK_MS < step.at_ms:
            t_ms += LOOK_MS
            sim.advance(t_ms)
            look(t_ms)
        t_ms = max(t_ms, step.at_ms)
        sim.advance(t_ms)
        if step.kind not in ("look", "frame"):
            sim.enact(step.kind, step.name, step.value)
        look(t_ms)
    look(max(t_ms, plan.duration_ms))
    return longest


ALARMS = {FAULT_OVERCURRENT: "draws too much", FAULT_OVERHEAT: "is too hot"}


class Alarms:
    """What boxes report that must end the run at once, whoever is to blame for it."""

    def __init__(self, circuits: Iterable[str]) -> None:
        self._signals = [(f"fault:{c}", c) for c in circuits]

    def raised(self, reported: Mapping[str, Observation]) -> str:
        """Why the run must end now; empty when it need not."""
        for signal, circuit in self._signals:
            seen = reported.get(signal)
            if seen is not None and seen.value in ALARMS:
                return f"its box reports that {circuit} {ALARMS[int(seen.value)]}"
        return ""
