"""A fuse or trip that the circuit's own steady current opens."""

from __future__ import annotations

from bench.core.errors import Complaint
from bench.spec.model import Spec

from .finding import finding


def check(spec: Spec) -> list[Complaint]:
    """An error for each: the circuit cannot stay on."""
    found = []
    for name, circuit in spec.circuits.items():
        rated = circuit.rated_a
        if circuit.fuse_a is not None and circuit.fuse_a < rated:
            text = f'circuit "{name}" draws {rated:g} A and its fuse is {circuit.fuse_a:g} A'
            found.append(finding(spec, f"circuits.{name}.fuse_a", text, f"at least {rated:g} A"))
        if circuit.trip is not None and circuit.trip.at_a <= rated:
            text = f'circuit "{name}" draws {rated:g} A and trips at {circuit.trip.at_a:g} A'
            found.append(finding(spec, f"circuits.{name}.trip.at_a", text, f"more than {rated:g} A"))
    return found
