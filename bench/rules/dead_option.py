"""Options that can never take effect on this boat."""

from __future__ import annotations

from collections.abc import Iterator

from bench.core.errors import Complaint
from bench.spec.model import Spec

from .finding import finding
from .reach import bound, can_write
from .trip_without_key import clearing

_WHY = {
    "control": "it has no control of its own",
    "group_off": "no group on a key holds it",
    "scene_off": "no scene on a key holds it",
    "cycle_empty": "no cycle with an empty position holds it",
    "timer": "a trip stops the timer",
    "inhibit": "nothing inhibits it",
    "shed": "its box never sheds it",
    "wake": "its box keeps trips through wake-up",
}


def check(spec: Spec) -> list[Complaint]:
    """Warnings: what cannot happen cannot be tested, and may be a slip."""
    return [
        finding(spec, where, text, advice="delete it, or mend what it relies on", warning=True)
        for where, text in (*_resets(spec), *_memory(spec), *_counters(spec), *_lamps(spec))
    ]


def _resets(spec: Spec) -> Iterator[tuple[str, str]]:
    for name, circuit in spec.circuits.items():
        if circuit.trip is None:
            continue
        for word in sorted(frozenset(circuit.trip.reset) - clearing(spec, name)):
            yield (
                f"circuits.{name}.trip.reset",
                f'reset: {word} of circuit "{name}" never happens: {_WHY[word]}',
            )


def _memory(spec: Spec) -> Iterator[tuple[str, str]]:
    in_scenes = {c for f in spec.functions.values() for c in f.presets}
    for name, circuit in spec.circuits.items():
        if circuit.dim and circuit.dim.memory_by_scene == "changed" and name not in in_scenes:
            yield (
                f"circuits.{name}.dim.memory_by_scene",
                f'no scene sets circuit "{name}" and changes its memory',
            )


def _counters(spec: Spec) -> Iterator[tuple[str, str]]:
    functions = bound(spec)
    for name, f in functions.items():
        if f.reset is None or "any_member_changed" not in f.reset.on:
            continue
        others = (o for o in functions.values() if o.name != name)
        if not any(can_write(o) & set(f.circuits) for o in others):
            yield f"functions.{name}.reset.on", f'no other function changes a member of "{name}"'


def _lamps(spec: Spec) -> Iterator[tuple[str, str]]:
    for control in spec.controls.values():
        lamp = control.lamp
        if lamp is None or lamp.tripped is None:
            continue
        watched = lamp.circuits or spec.functions[control.function].circuits
        if not any(spec.circuits[c].trip for c in watched):
            where = f"controls.{control.kind} {control.node}.{control.key}.lamp.tripped"
            yield where, f"no circuit that the lamp of {control.name} watches can trip"
