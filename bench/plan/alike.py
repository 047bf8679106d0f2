"""Pairs of circuits that a plan cannot tell apart, and what would help."""

from __future__ import annotations

from itertools import combinations

from bench.core.plan import Alike
from bench.loads import Load, band
from bench.spec.model import Spec

from .machine import Machine

FULL = (100.0, 100.0)


def alike(spec: Spec, machine: Machine) -> list[Alike]:
    """Circuits of the cluster that have the same level in each of its states found, and no current that
    would tell which is which: exchanged outputs of two such look right."""
    found = []
    for a, b in combinations(range(len(machine.circuits)), 2):
        if all(levels[a] == levels[b] for levels in machine.outputs):
            one, other = machine.circuits[a], machine.circuits[b]
            why = _same_current(spec, one, other)
            if why:
                found.append(Alike(one, other, why))
    return found


def _same_current(spec: Spec, one: str, other: str) -> str:
    loads = [_load(spec, name) for name in (one, other)]
    first, second = loads
    if first is None or second is None:
        return "always switched together, and the box does not report currents that could be judged"
    a, b = (band(load, FULL, (load.nominal_v, load.nominal_v)) for load in (first, second))
    if max(a.ok_low, b.ok_low) > min(a.ok_high, b.ok_high):
        return ""
    return "always switched together, with loads whose currents may be the same"


def _load(spec: Spec, name: str) -> Load | None:
    circuit = spec.circuits[name]
    box = spec.boxes[circuit.box]
    if box.current is None:
        return None
    return Load(
        circuit.load,
        circuit.rated_a,
        box.supply_v,
        circuit.tol_pct,
        box.current.gain_pct,
        box.current.offset_a,
    )
