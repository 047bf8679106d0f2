"""Pairs of circuits that a plan cannot tell apart, and why."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import combinations

from bench.core.plan import Alike
from bench.loads import Load, band
from bench.spec.model import Spec

from .machine import Machine

FULL = (100.0, 100.0)
TOGETHER = "always switched together, with loads that may draw the same"
WIRES = "their loads may draw the same, so that wires put to each other's channel look right"
NO_CURRENT = "the box does not report currents that could be judged"


def alike(spec: Spec, machines: Iterable[Machine]) -> list[Alike]:
    """Circuits of one box of which neither, in the other's place, draws what is surely wrong there."""
    together = {pair for machine in machines for pair in _together(machine)}
    found = []
    for one, other in combinations(spec.circuits.values(), 2):
        if one.box == other.box and not _told_by_current(spec, one.name, other.name):
            is_pair = (one.name, other.name) in together
            why = TOGETHER if is_pair else WIRES if spec.boxes[one.box].current is not None else NO_CURRENT
            found.append(Alike(one.name, other.name, why))
    return found


def _together(machine: Machine) -> Iterator[tuple[str, str]]:
    """Those with the same level in each state found."""
    for a, b in combinations(range(len(machine.circuits)), 2):
        if all(levels[a] == levels[b] for levels in machine.outputs):
            yield machine.circuits[a], machine.circuits[b]


def _told_by_current(spec: Spec, one: str, other: str) -> bool:
    a, b = _load(spec, one), _load(spec, other)
    if a is None or b is None:
        return False
    volts = a.nominal_v, a.nominal_v
    return "wrong" in (band(a, FULL, volts).decide(b.rated_a), band(b, FULL, volts).decide(a.rated_a))


def _load(spec: Spec, name: str) -> Load | None:
    circuit = spec.circuits[name]
    box = spec.boxes[circuit.box]
    if box.current is None:
        return None
    gain_pct, offset_a = box.current.gain_pct, box.current.offset_a
    return Load(circuit.load, circuit.rated_a, box.supply_v, circuit.tol_pct, gain_pct, offset_a)
