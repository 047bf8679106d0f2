"""Scenarios: every name in them must exist, and keys must go up and down in turn."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import NamedTuple

from . import model
from .reading import BAD, Reading
from .shapes import Read

MOST_S = 1800.0  # of all scenarios together
STEP_S = 1.0  # what a step takes, about
Unknown = Callable[[str, str, str, Collection[str]], None]


class _Known(NamedTuple):
    """Names that scenarios may use; keys and boxes that could not be read count."""

    controls: Collection[str]
    sensors: Collection[str]
    circuits: Collection[str]
    by_message: bool
    whole: bool  # all keys could be read


def _known(tree: Mapping[str, Read]) -> _Known:
    sensors, circuits, boxes, controls, outside = (
        found if isinstance(found := tree.get(key), dict) else {}
        for key in ("sensors", "circuits", "boxes", "controls", "outside")
    )
    keys = [f"{node} {key}" for node, rows in controls.items() if rows is not BAD for key in rows]
    for node, rows in outside.items():
        kind, _, name = node.rpartition(" ")
        keys += [f"{kind or 'panel'} {name} {key}" for key in (() if rows is BAD else rows)]
    wakes = [BAD if box is BAD else box.get("wake", BAD) for box in boxes.values()]
    by_message = not wakes or any(w is BAD or w.by == "message" for w in wakes)
    return _Known(keys, sensors, circuits, by_message, tree.get("outside") is not BAD)


def read_scenarios(
    tree: Mapping[str, Read], unknown: Unknown, reading: Reading
) -> Mapping[str, tuple[model.ScenarioStep, ...]]:
    """By name; what was complained about is left out. `unknown` complains about a name that nothing bears."""
    known, scenarios = _known(tree), tree.get("scenarios")
    found: dict[str, tuple[model.ScenarioStep, ...]] = {}
    total_s = 0.0
    for name, rows in (scenarios if isinstance(scenarios, dict) else {}).items():
        if rows is BAD:
            continue
        steps: list[model.ScenarioStep] = []
        down: dict[str, int] = {}
        unread = False
        for number, tagged in enumerate(rows, 1):
            kind: Read
            kind, values = ("", BAD) if tagged is BAD else tagged
            if values is BAD or BAD in list(values.values()):
                unread = True
                continue
            if isinstance(values.get("shown"), dict):
                values = {**values, "shown": {c: s for c, s in values["shown"].items() if s is not BAD}}
            step = model.ScenarioStep(kind, **values)
            at = f"scenarios.{name}.{number}"
            _names(at, step, known, unknown, reading)
            if not unread:  # else it may be what pressed or let go
                _keys(at, number, step, down, reading)
            steps.append(step)
        before_s, total_s = total_s, total_s + sum(s.wait_s + STEP_S for s in steps)
        if before_s <= MOST_S < total_s:
            text = f"with this one the scenarios take more than {MOST_S:g} s"
            reading.at(f"scenarios.{name}", text, f"at most {MOST_S:g} s in all", "shorten the waits")
        found[name] = tuple(steps)
    return found


def _names(at: str, step: model.ScenarioStep, known: _Known, unknown: Unknown, reading: Reading) -> None:
    if step.control and known.whole and step.control not in known.controls:
        unknown(f"{at}.{step.kind}", "control", step.control, known.controls)
    if step.sensor and step.sensor not in known.sensors:
        unknown(f"{at}.sensor", "sensor", step.sensor, known.sensors)
    if step.by == "message" and not known.by_message:
        reading.at(f"{at}.wake", "no box wakes by message", "wake: supply")
    for circuit, shown in step.shown.items():
        where = f"{at}.expect.{circuit}"
        if circuit not in known.circuits:
            unknown(where, "circuit", circuit, known.circuits)
        if shown.from_pct > shown.to_pct:
            text = f"from {shown.from_pct:g} % to {shown.to_pct:g} % is no range"
            reading.at(where, text, "the lower level as from_pct")


def _keys(at: str, number: int, step: model.ScenarioStep, down: dict[str, int], reading: Reading) -> None:
    """`down`: keys held -> the step that pressed them."""
    if step.kind in ("press", "hold") and step.control in down:
        text = f"{step.control} is held since step {down[step.control]}"
        reading.at(f"{at}.{step.kind}", text, f"release: {step.control} before it")
    elif step.kind == "release" and step.control not in down:
        reading.at(f"{at}.release", f"{step.control} is not held", f"hold: {step.control} before it")
    elif step.kind == "wake" and down:
        key = next(iter(down))
        text = f"{key} is held while the boxes wake up, and what it then does is not agreed"
        reading.at(f"{at}.wake", text, f"release: {key} before it")
    if step.kind == "hold":
        down.setdefault(step.control, number)
    elif step.kind == "release":
        down.pop(step.control, None)
