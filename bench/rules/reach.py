"""What controls and rules can do to circuits: derived once, used by many rules."""

from __future__ import annotations

from collections.abc import Iterable

from bench.spec.model import Function, Spec


def bound(spec: Spec) -> dict[str, Function]:
    """Functions that at least one control names."""
    names = dict.fromkeys(c.function for c in spec.controls.values())
    return {n: spec.functions[n] for n in names if n in spec.functions}


def can_switch_on(function: Function) -> frozenset[str]:
    """Circuits that a press can switch on."""
    if function.kind == "off":
        return frozenset()
    if function.kind == "scene":
        return frozenset(c for c, level in function.presets.items() if level > 0)
    return frozenset(function.circuits)


def can_switch_off(function: Function) -> frozenset[str]:
    """Circuits that a press (or the release of a momentary) can switch off again."""
    if function.kind == "on":
        return frozenset()
    if function.kind == "scene":
        applied = frozenset(c for c, level in function.presets.items() if level == 0)
        return frozenset(function.presets) if function.again == "off" else applied
    if function.kind == "cycle":
        always = frozenset.intersection(*(frozenset(p) for p in function.positions))
        return frozenset(function.circuits) - always
    return frozenset(function.circuits)


def can_write(function: Function) -> frozenset[str]:
    """Circuits whose stored level a press can change."""
    return can_switch_on(function) | can_switch_off(function)


def inhibitors(spec: Spec) -> dict[str, frozenset[str]]:
    """Circuit -> circuits that inhibit it."""
    found: dict[str, frozenset[str]] = {}
    for rule in spec.inhibits:
        found[rule.circuit] = found.get(rule.circuit, frozenset()) | frozenset(rule.sources)
    return found


def own_controls(spec: Spec, circuit: str) -> list[str]:
    """Controls that are for this one circuit alone."""
    return [
        c.name
        for c in spec.controls.values()
        if spec.functions[c.function].circuits == (circuit,) and spec.functions[c.function].kind != "cycle"
    ]


def conflicts(spec: Spec, together: Iterable[str]) -> list[tuple[str, str]]:
    """(inhibitor, target) pairs within a set of circuits, in the set's order."""
    names = list(together)
    held = inhibitors(spec)
    return [(i, t) for t in names for i in names if i in held.get(t, ())]
