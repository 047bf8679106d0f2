"""Circuits whose outputs could be crossed without anything showing it."""

from __future__ import annotations

from bench.core.errors import Complaint
from bench.loads import LOAD_KINDS
from bench.spec.model import Circuit, Follow, Inhibit, Spec
from bench.spec.wording import names

from .finding import finding, quoted
from .reach import bound


def check(spec: Spec) -> list[Complaint]:
    """A warning for circuits on one box that are always switched together and draw alike."""
    by_role: dict[object, list[Circuit]] = {}
    for name, circuit in spec.circuits.items():
        by_role.setdefault(_role(spec, name), []).append(circuit)
    found = []
    for role, circuits in by_role.items():
        if role is None:
            continue
        alike = [c for c in circuits if any(o is not c and _draw_alike(spec, c, o) for o in circuits)]
        if alike:
            amps = names(f"{c.rated_a:g}" for c in alike)
            text = (
                f"circuits {quoted([c.name for c in alike])} are always switched together and draw {amps} A: "
                "if their outputs are crossed nothing shows it"
            )
            advice = "give them different loads or a key of their own, or check the wires by eye"
            found.append(finding(spec, f"circuits.{alike[0].name}", text, advice=advice, warning=True))
    return found


def _role(spec: Spec, name: str) -> object:
    """Everything that can move or lock the circuit; equal for circuits that always move alike; None
    when nothing can move it."""
    circuit = spec.circuits[name]
    functions = frozenset(
        (f.name, tuple(name in p for p in f.positions), f.presets.get(name))
        for f in bound(spec).values()
        if name in f.circuits
    )
    follows = frozenset((frozenset(r.sources), r.release, r.sees) for r in spec.follows if r.circuit == name)
    inhibits = frozenset((s, r.sees) for r in spec.inhibits if r.circuit == name for s in r.sources)
    rules: list[Follow | Inhibit] = [*spec.follows, *spec.inhibits]
    led = frozenset((type(r).__name__, r.circuit) for r in rules if name in r.sources)
    forces = frozenset((r.sensor, r.presses, r.over_inhibit) for r in spec.forces if r.circuit == name)
    wakes = frozenset(w.level_pct for w in spec.wakes if name in w.circuits)
    supply = spec.boxes[circuit.box].supply
    shed = supply is not None and name in supply.sheds
    lamps = frozenset(
        c.name for c in spec.controls.values() if c.lamp is not None and name in c.lamp.circuits
    )
    if not (functions or follows or forces or wakes):
        return None
    return (
        circuit.box, circuit.dim, circuit.trip, circuit.auto_off,
        functions, follows, inhibits, led, forces, wakes, shed, lamps,
    )  # fmt: skip


def _draw_alike(spec: Spec, a: Circuit, b: Circuit) -> bool:
    """Whether the two currents' bands overlap: load tolerances and the box's own error."""
    accuracy = spec.boxes[a.box].current
    if accuracy is None:
        return True  # the box reports no current that could tell them apart
    error = 2 * accuracy.offset_a + accuracy.gain_pct / 100 * (a.rated_a + b.rated_a)
    return abs(a.rated_a - b.rated_a) <= error + _tolerance_a(a) + _tolerance_a(b)


def _tolerance_a(circuit: Circuit) -> float:
    own = LOAD_KINDS[circuit.load][0] if circuit.tol_pct is None else circuit.tol_pct
    return own / 100 * circuit.rated_a
