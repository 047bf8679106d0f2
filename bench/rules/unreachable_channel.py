"""A circuit that no control can reach."""

from __future__ import annotations

from bench.core.errors import Complaint
from bench.spec.model import Spec

from .finding import finding
from .reach import bound


def check(spec: Spec) -> list[Complaint]:
    """An error when nothing at all can switch the circuit on, a warning when only rules can."""
    reached = {c for f in bound(spec).values() for c in f.circuits}
    ruled = {r.circuit for r in spec.forces} | {r.circuit for r in spec.follows}
    ruled |= {c for w in spec.wakes for c in w.circuits}
    found = []
    for name, circuit in spec.circuits.items():
        if name in reached:
            continue
        text = f'no control can reach circuit "{name}" on channel {circuit.channel} of box {circuit.box}'
        if name in ruled:
            text += "; only rules switch it"
        advice = "bind a key to it, or take the circuit out"
        found.append(finding(spec, f"circuits.{name}", text, "a control", advice, warning=name in ruled))
    return found
