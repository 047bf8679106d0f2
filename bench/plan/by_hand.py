"""The by-hand phase: a person works a circuit at the box, its key is pressed, all is put back."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import NamedTuple

from bench.core.event import BY_HAND
from bench.core.plan import Plan, Step
from bench.oracle import Oracle
from bench.spec.model import Circuit, Spec

from .pace import Pace

_MEANS = {
    "fuse_seat": "move the fuse to its by-hand seat",
    "switch": "set the by-hand switch",
    "link": "set the by-hand link",
}
_BACK = {
    "fuse_seat": "move the fuse back to its normal seat",
    "switch": "set the by-hand switch back",
    "link": "take the by-hand link away",
}


class Choice(NamedTuple):
    """Circuits to work by hand, and why the others are not."""

    circuits: tuple[Circuit, ...]
    left_out: Mapping[str, str]


def choose(spec: Spec, limited: Collection[str] = ()) -> Choice:
    """By hand a circuit runs for as long as a person takes, so what must not run long is left out.
    `limited`: circuits for which the bench profile sets a limit."""
    model = Oracle(spec)
    momentary = {m for f in spec.functions.values() if f.kind == "momentary" for m in f.circuits}
    timed = {c for names in model.clusters for c in names if _timed(spec, names)}
    left_out: dict[str, str] = {}
    for c in spec.circuits.values():
        if c.load == "motor" or c.name in momentary:
            left_out[c.name] = "nothing would bound how long it runs"
        elif c.name in limited:
            left_out[c.name] = "the bench profile limits how long it may run"
        elif c.name in timed:
            left_out[c.name] = "a timer would start at an instant that only the person knows"
    chosen = tuple(c for c in spec.circuits.values() if c.name not in left_out)
    return Choice(chosen, left_out)


def _timed(spec: Spec, names: tuple[str, ...]) -> bool:
    return any(spec.circuits[n].auto_off is not None for n in names)


def with_by_hand(spec: Spec, plan: Plan, limited: Collection[str] = ()) -> Plan:
    """`plan` and after it the by-hand phase, which begins and ends with everything off."""
    choice = choose(spec, limited)
    pace = Pace.of(spec)
    steps = list(plan.steps)
    t_ms = plan.duration_ms
    for circuit in choice.circuits:
        made = _one(spec, circuit, pace, t_ms)
        steps += made
        t_ms = made[-1].at_ms + pace.dwell
    not_tested = dict(plan.not_tested)
    not_tested.pop("by hand", None)
    if choice.left_out:
        by_reason: dict[str, list[str]] = {}
        for name, why in choice.left_out.items():
            by_reason.setdefault(why, []).append(name)
        not_tested["by hand"] = "; ".join(f"{', '.join(names)}: {why}" for why, names in by_reason.items())
    covered = (*plan.covered, f"by hand: {'; '.join(c.name for c in choice.circuits)}")
    return replace(plan, steps=tuple(steps), duration_ms=t_ms, covered=covered, not_tested=not_tested)


def _one(spec: Spec, circuit: Circuit, pace: Pace, t_ms: float) -> list[Step]:
    """By hand, its key twice when the box stores presses (else once), back, its key twice more."""
    steps: list[Step] = []
    by_hand = spec.boxes[circuit.box].by_hand
    key = next((c.name for c in spec.controls.values() if _toggles(spec, c.function, circuit)), None)

    def tap(about: str) -> None:
        nonlocal t_ms
        if key is not None:
            steps.append(Step(t_ms, "press", key, 1, about, (about,)))
            steps.append(Step(t_ms + pace.tap, "release", key, 0))
            t_ms += pace.dwell + pace.tap

    where = f"{circuit.name} (box {circuit.box}, channel {circuit.channel})"
    do = _MEANS.get(by_hand.means, f"work it by hand ({by_hand.means})")
    back = _BACK.get(by_hand.means, f"put it back ({by_hand.means})")
    text = f"{where}: {do}. It must then be on. Is it?"
    steps.append(Step(t_ms, BY_HAND, circuit.name, 1, text, (f"by hand {circuit.name}",)))
    t_ms += pace.dwell
    for _ in range(2 if by_hand.presses == "stored" else 1):
        tap(f"{circuit.name} pressed while by hand ({by_hand.presses})")
    text = f"{where}: {back}. It must then be off. Is it?"
    steps.append(Step(t_ms, BY_HAND, circuit.name, 0, text, (f"by hand {circuit.name} ends",)))
    t_ms += pace.dwell
    for effect in ("on", "off"):
        tap(f"{circuit.name} {effect} after by hand")
    return steps


def _toggles(spec: Spec, function: str, circuit: Circuit) -> bool:
    f = spec.functions[function]
    return f.kind == "toggle" and f.members[0] == circuit.name
