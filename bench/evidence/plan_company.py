"""What a plan says of keys in company, recounted from its file against what a box did that it was played to.

The box answers a little later than the reference model that planned, so that what stood still for respond_ms
in the plan may have stood for less, or for more: one count is surely too low, and one surely too high.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Any

from bench.evidence.plan_order import Reach
from bench.evidence.plan_played import Played, Step
from bench.spec.model import Function, Spec

SAID = re.compile(
    r"company: (\d+) of (\d+) of a key and another circuit that is on; "
    r"(\d+) of (\d+) of a key and two others, of which the first is on"
)
SLACK_MS = 60.0
ALMOST = 0.5  # of what was surely had must be said; a plan counts nothing of which it is not sure


def miscounted(spec: Spec, plan: Mapping[str, Any], steps: Sequence[Step], played: Played) -> list[str]:
    """What of the figures cannot be; all of them, where the plan has none."""
    found = [m for text in plan["covered"] if (m := SAID.fullmatch(text))]
    functions = _keyed(spec)
    far = {f.name: _strangers(spec, f, functions) for f in functions}
    if not found and not any(far.values()):
        return []
    if len(found) != 1:
        return ["the plan does not say in which company keys are"]
    one, of_one, two, of_two = map(int, found[0].groups())
    every = sum(map(len, far.values())), sum(len(s) * (len(s) - 1) * 3 // 2 for s in far.values())
    if (of_one, of_two) != every:
        return [f"company: {of_one} and {of_two} are wanted, by recount {every[0]} and {every[1]}"]
    respond_ms = max(b.respond_ms for b in spec.boxes.values())
    low = _count(spec, steps, played, far, respond_ms + SLACK_MS)
    high = _count(spec, steps, played, far, 1.0)
    wrong = []
    for said, least, most in zip((one, two), low, high, strict=True):
        if not ALMOST * least <= said <= most:
            wrong.append(f"company: {said} is said, by recount {least} to {most}")
    return wrong


def _keyed(spec: Spec) -> list[Function]:
    return [spec.functions[n] for n in dict.fromkeys(c.function for c in spec.controls.values())]


def _strangers(spec: Spec, function: Function, functions: Sequence[Function]) -> list[str]:
    """Circuits that a key reaches and that are tied to none of the function's own."""
    reach = Reach(spec)
    near = frozenset[str]().union(*(reach.near(c) for c in function.circuits))
    return [c for c in dict.fromkeys(c for f in functions for c in f.circuits) if c not in near]


def _count(
    spec: Spec, steps: Sequence[Step], played: Played, far: Mapping[str, list[str]], stood_ms: float
) -> tuple[int, int]:
    """How many functions with a stranger, and with two, when what counts has stood for so long."""
    respond_ms = max(b.respond_ms for b in spec.boxes.values())
    one, two = set[tuple[str, str]](), set[tuple[str, str, str, bool]]()
    for n, step in enumerate(steps):
        control = spec.controls.get(step.name)
        if step.kind != "press" or control is None:
            continue
        f = spec.functions[control.function]
        up = next((s for s in steps[n:] if s.kind == "release" and s.name == step.name), step)
        if all(len(set(played.levels(c, step.at_ms - 1.0, up.at_ms + respond_ms))) == 1 for c in f.circuits):
            continue
        stood = {
            c: {level > 0 for level in played.levels(c, step.at_ms - stood_ms, step.at_ms - 1.0)}
            for c in far[f.name]
        }
        lit = [c for c, was in stood.items() if was == {True}]
        dark = [c for c, was in stood.items() if was == {False}]
        one.update((f.name, c) for c in lit)
        two.update((f.name, a, b, True) for a, b in combinations(sorted(lit), 2))
        two.update((f.name, a, b, False) for a in lit for b in dark)
    return len(one), len(two)
