"""A wire thinner than the regulations allow."""

from __future__ import annotations

from bench.core.errors import Complaint
from bench.spec.model import Spec

from .finding import finding
from .wires import gauge, wire_words

EXEMPT_BELOW_A = 1.0  # 33 CFR 183.425(g)


def check(spec: Spec) -> list[Complaint]:
    """A warning: 16 AWG alone, 18 AWG within a sheath (33 CFR 183.425(d) to (g))."""
    found = []
    for name, circuit in spec.circuits.items():
        if circuit.wire is None or circuit.rated_a < EXEMPT_BELOW_A:
            continue
        awg = gauge(circuit.wire)
        if awg <= 16:
            continue
        text = f'the wire of circuit "{name}" is {wire_words(circuit.wire)}'
        expected = "16 AWG or thicker"
        if awg <= 18:
            text += ", allowed only within a sheath"
        where = f"circuits.{name}.wire"
        found.append(finding(spec, where, text, f"{expected} (33 CFR 183.425)", warning=True))
    return found
