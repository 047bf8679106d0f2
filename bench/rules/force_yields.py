"""A forced circuit that yields to an inhibit."""

from __future__ import annotations

from bench.core.errors import Complaint
from bench.spec.model import Spec

from .finding import finding, rule_at
from .reach import inhibitors


def check(spec: Spec) -> list[Complaint]:
    """A warning: while the sensor is active, the output closes by itself when the inhibit ends."""
    held = inhibitors(spec)
    found = []
    for number, force in enumerate(spec.forces):
        if force.over_inhibit == "yields" and force.circuit in held:
            by = " or ".join(f'"{s}"' for s in sorted(held[force.circuit]))
            text = (
                f'sensor "{force.sensor}" forces circuit "{force.circuit}", which yields to {by}: '
                "it closes by itself when that ends"
            )
            where = f"{rule_at(spec, 'force', number)}.over_inhibit"
            found.append(finding(spec, where, text, advice="make sure that is meant", warning=True))
    return found
