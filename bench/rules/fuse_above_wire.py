"""A fuse that lets more through than its wire may carry."""

from __future__ import annotations

from bench.core.errors import Complaint
from bench.spec.model import Spec

from .finding import finding
from .wires import FUSE_FACTOR, allowable_a, gauge, gauge_words, wire_words


def check(spec: Spec) -> list[Complaint]:
    """A warning above 150 % of the wire's allowance (33 CFR 183.455(c)(1), 183.425 Table 5, the column
    for 60 degC, since the spec does not say the insulation)."""
    found = []
    for name, circuit in spec.circuits.items():
        if circuit.wire is None or circuit.fuse_a is None:
            continue
        row = gauge(circuit.wire)
        allowance = allowable_a(row)
        if allowance is None or circuit.fuse_a <= FUSE_FACTOR * allowance:
            continue
        of = wire_words(circuit.wire)
        of = of if circuit.wire.awg is not None else f"{of}, taken as {gauge_words(row)}"
        text = (
            f'the fuse of circuit "{name}" is {circuit.fuse_a:g} A; its wire ({of}) may carry {allowance:g} A'
        )
        expected = f"at most {FUSE_FACTOR * allowance:g} A, 150 % of that (33 CFR 183.455)"
        found.append(finding(spec, f"circuits.{name}.fuse_a", text, expected, warning=True))
    return found
