"""A wire that loses too much voltage."""

from __future__ import annotations

from bench.core.errors import Complaint
from bench.spec.model import Circuit, Spec

from .finding import finding
from .navigation_lights import NAVIGATION
from .wires import circular_mils, drop_v, gauge_words, wire_cmil

CRITICAL_PCT = 3.0  # navigation lights, electronics: ABYC E-11
OTHER_PCT = 10.0  # other lighting and what is not critical: ABYC E-11


def check(spec: Spec) -> list[Complaint]:
    """A warning above 3 % for navigation lights and electronics, 10 % for the rest."""
    found = []
    for name, circuit in spec.circuits.items():
        if circuit.wire is None:
            continue
        volts = spec.boxes[circuit.box].supply_v
        lost = drop_v(circuit.wire, circuit.rated_a)
        limit = limit_pct(circuit)
        if lost <= limit / 100 * volts:
            continue
        enough = wire_cmil(circuit.wire) * lost / (limit / 100 * volts)
        thicker = next((g for g in range(18, -4, -1) if circular_mils(g) >= enough), None)
        text = (
            f'circuit "{name}" loses {lost:.2f} V of {volts:g} V in its wire ({100 * lost / volts:.1f} %) '
            f"at {circuit.rated_a:g} A over {circuit.wire.one_way_m:g} m"
        )
        advice = f"{gauge_words(thicker)} would do" if thicker is not None else "feed it from nearer"
        where = f"circuits.{name}.wire"
        found.append(finding(spec, where, text, f"at most {limit:g} % (ABYC E-11)", advice, warning=True))
    return found


def limit_pct(circuit: Circuit) -> float:
    """The allowed drop in percent of nominal voltage."""
    critical = circuit.load == "electronic" or circuit.light in NAVIGATION
    return CRITICAL_PCT if critical else OTHER_PCT
