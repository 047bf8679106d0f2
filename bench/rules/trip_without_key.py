"""A circuit whose trip nobody can clear, or not by itself."""

from __future__ import annotations

from bench.core.errors import Complaint
from bench.spec.model import Spec

from .finding import finding
from .reach import bound, inhibitors, own_controls


def check(spec: Spec) -> list[Complaint]:
    """An error when nothing that `reset` lists can ever happen; a warning when the circuit has no
    control of its own and neither wake nor supply clears it."""
    found = []
    for name, circuit in spec.circuits.items():
        if circuit.trip is None:
            continue
        works = clearing(spec, name)
        if works & {"control", "wake", "supply"}:
            continue
        text = f'circuit "{name}" can trip and has no control of its own that clears it'
        expected = "a key for this circuit with control in reset, or wake or supply in reset"
        if not works:
            text = f'circuit "{name}" can trip and nothing clears the trip'
        where = f"circuits.{name}.trip.reset"
        found.append(finding(spec, where, text, expected, warning=bool(works)))
    return found


def clearing(spec: Spec, name: str) -> frozenset[str]:
    """Those words of a circuit's `reset` that can happen on this boat."""
    circuit = spec.circuits[name]
    if circuit.trip is None:
        return frozenset()
    possible = {"supply"}
    if own_controls(spec, name):
        possible.add("control")
    for f in bound(spec).values():
        if name not in f.circuits:
            continue
        if f.kind == "group" or (f.kind == "off" and len(f.members) > 1):
            possible.add("group_off")
        if f.kind == "scene":
            possible.add("scene_off")
        if f.kind == "cycle" and () in f.positions:
            possible.add("cycle_empty")
    if name in inhibitors(spec):
        possible.add("inhibit")
    box = spec.boxes[circuit.box]
    if box.supply is not None and name in box.supply.sheds:
        possible.add("shed")
    if box.trip_at_wake == "cleared":
        possible.add("wake")
    return frozenset(circuit.trip.reset) & possible
