"""Which circuits influence each other so hard that they must be followed together."""

from __future__ import annotations

from collections.abc import Iterable

from bench.spec.model import Spec

HARD = frozenset({"toggle", "momentary", "cycle", "group"})


def glued(spec: Spec) -> tuple[tuple[str, ...], ...]:
    """Clusters of circuits, each circuit in exactly one, all in the spec's order.

    Glue: one function of kind toggle, momentary, cycle or group; follow; inhibit; force by one sensor.
    Scenes and `on` / `off` functions are shared inputs and do not glue.
    """
    parent = {name: name for name in spec.circuits}

    def root(name: str) -> str:
        while parent[name] != name:
            parent[name] = parent[parent[name]]
            name = parent[name]
        return name

    for bundle in _bundles(spec):
        first, *rest = bundle
        for name in rest:
            parent[root(name)] = root(first)
    found: dict[str, list[str]] = {}
    for name in spec.circuits:
        found.setdefault(root(name), []).append(name)
    return tuple(tuple(names) for names in found.values())


def _bundles(spec: Spec) -> Iterable[tuple[str, ...]]:
    for function in spec.functions.values():
        if function.kind in HARD and function.circuits:
            yield function.circuits
    yield from ((rule.circuit, *rule.sources) for rule in spec.follows)
    yield from ((rule.circuit, *rule.sources) for rule in spec.inhibits)
    by_sensor: dict[str, list[str]] = {}
    for force in spec.forces:
        by_sensor.setdefault(force.sensor, []).append(force.circuit)
    yield from (tuple(names) for names in by_sensor.values())
