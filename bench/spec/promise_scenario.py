"""What a scenario does and shows, in sentences."""

from __future__ import annotations

from collections.abc import Iterator

from .model import ScenarioStep, Shown, Spec
from .wording import names


def scenario_promises(spec: Spec) -> Iterator[str]:
    """One promise per scenario."""
    for name, steps in spec.scenarios.items():
        said = [_said(s) for s in steps]
        yield f"Scenario {name}, from all off: {'; '.join(said)}."


def _said(step: ScenarioStep) -> str:
    if step.kind == "expect":
        return f"now {names(f'{c} is {shown_words(s)}' for c, s in step.shown.items())}"
    return step_words(step)


def step_words(step: ScenarioStep) -> str:
    """What is done, as a report names it."""
    return {
        "press": f"{step.control} is pressed",
        "hold": f"{step.control} is held",
        "release": f"{step.control} is let go",
        "sensor": f"sensor {step.sensor} {'becomes active' if step.now == 'active' else 'comes to rest'}",
        "wait_s": f"{step.wait_s:g} s pass",
        "wake": "all boxes lose their supply and get it back"
        if step.by == "supply"
        else "the wake message is sent",
        "expect": f"expects {', '.join(f'{c} {shown_words(s)}' for c, s in step.shown.items())}",
    }[step.kind]


def shown_words(shown: Shown) -> str:
    """`on`, `off`, `at 20 %`, `between 40 and 60 %`."""
    if shown.word != "level":
        return shown.word
    if shown.from_pct == shown.to_pct:
        return f"at {shown.to_pct:g} %"
    return f"between {shown.from_pct:g} and {shown.to_pct:g} %"
