"""What the steps of a plan earn, recounted from the steps alone on a boat simulated afresh."""

from __future__ import annotations

from collections.abc import Sequence

from bench.core.plan import Step
from bench.spec.model import Spec

from .pace import Pace
from .sim import Sim

Levels = dict[str, tuple[float, float]]


def recount(spec: Spec, sim: Sim, steps: Sequence[Step], pace: Pace, end_ms: float) -> list[list[str]]:
    """Tags earned by each step: `control C on`, `control C off`, `current X at L %`.

    A current counts when its level stood still for `pace.steady` ms; it is credited to the step
    after which the level began.
    """
    earned: list[list[str]] = [[] for _ in steps]
    plateau = {c: (levels, 0.0, 0) for c, levels in sim.levels().items()}
    pressed: dict[str, Levels] = {}
    for i, step in enumerate(steps):
        sim.advance(step.at_ms)
        before = sim.levels()
        _credit(plateau, before, step.at_ms, pace, earned, i - 1)
        sim.enact(step.kind, step.name, step.value)
        after = sim.levels()
        if step.kind == "press":
            pressed[step.name] = before
        if step.name in pressed and step.name in spec.controls:
            _effects(spec, step, pressed[step.name], after, earned[i])
        _credit(plateau, after, step.at_ms, pace, earned, i)
    sim.advance(end_ms)
    _credit(plateau, sim.levels(), end_ms, pace, earned, len(steps) - 1)
    return earned


def _effects(spec: Spec, step: Step, before: Levels, after: Levels, tags: list[str]) -> None:
    for circuit in spec.functions[spec.controls[step.name].function].circuits:
        if before[circuit][1] <= 0 < after[circuit][0]:
            tags.append(f"control {step.name} on")
        if before[circuit][0] > 0 >= after[circuit][1]:
            tags.append(f"control {step.name} off")
    if step.kind == "release" and step.value == 0:
        function = spec.functions[spec.controls[step.name].function]
        if function.kind == "momentary" and before[function.members[0]][1] <= 0:
            tags.append(f"control {step.name} off")


def _credit(
    plateau: dict[str, tuple[tuple[float, float], float, int]],
    now: Levels,
    t_ms: float,
    pace: Pace,
    earned: list[list[str]],
    index: int,
) -> None:
    for circuit, level in now.items():
        held, since_ms, began = plateau[circuit]
        if level != held:
            plateau[circuit] = (level, t_ms, index)
        elif level[0] > 0 and t_ms - since_ms >= pace.steady and began >= 0:
            text = f"{level[0]:g} %" if level[0] == level[1] else "a dimmed level"
            tag = f"current {circuit} at {text}"
            if tag not in earned[began]:
                earned[began].append(tag)
