"""Whether the steps of a plan that belong to a scenario are its lines, and a box did what these expect."""

from __future__ import annotations

from collections.abc import Sequence

from bench.evidence.plan_played import Played, Step
from bench.spec.model import ScenarioStep, Shown, Spec

NEAR_PCT = 1.0
DONE_AS = {"press": "press", "hold": "press", "release": "release", "sensor": "sensor"}


def holds(spec: Spec, steps: Sequence[Step], n: int, name: str, played: Played) -> bool:
    """Whether step `n` is the line of the scenario whose turn it is, and all lines have steps but those that
    only wait."""
    lines = [line for line in spec.scenarios.get(name, ()) if line.kind != "wait_s"]
    told = [m for m, step in enumerate(steps) if f"scenario {name}" in step.covers]
    return n in told and len(told) == len(lines) and _fits(lines[told.index(n)], steps[n], played)


def _fits(line: ScenarioStep, step: Step, played: Played) -> bool:
    if line.kind == "expect":
        shown = ((played.level(circuit, step.at_ms), shown) for circuit, shown in line.shown.items())
        return step.kind == "wait" and all(_is_shown(level, one) for level, one in shown)
    if line.kind == "wake":
        return step.kind == "wait"
    if line.kind == "sensor":
        value = int(line.now == "active")
        return (step.kind, step.name, step.value) == ("sensor", line.sensor, value)
    return (step.kind, step.name) == (DONE_AS[line.kind], line.control)


def _is_shown(level: float, shown: Shown) -> bool:
    if shown.word == "level":
        return shown.from_pct - NEAR_PCT <= level <= shown.to_pct + NEAR_PCT
    return (level > 0) == (shown.word == "on")
