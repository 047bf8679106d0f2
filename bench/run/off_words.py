"""Which presses switch a circuit off, best first, straight from the spec.

A word is a control and the most presses it may take: an `off` function one press (and one more, should
it be lost), a toggle two, a group three (part on may first mean all on), a cycle one pass, a scene
that a second press ends three. A momentary's own key is pressed and let go.
"""

from __future__ import annotations

from bench.spec.model import Function, Spec

Words = dict[str, tuple[tuple[str, int], ...]]
# least side effects first
ORDER = ("toggle", "momentary", "off", "cycle", "group", "scene")


def off_words(spec: Spec) -> Words:
    """Circuit -> words. A circuit that nothing can switch off on purpose has none."""
    controls: dict[str, list[str]] = {}
    for control in spec.controls.values():
        controls.setdefault(control.function, []).append(control.name)
    out: Words = {}
    for circuit in spec.circuits:
        found = [
            (ORDER.index(f.kind), len(f.circuits), control, _most(f))
            for f in spec.functions.values()
            if circuit in f.circuits and _can_end(f)
            for control in controls.get(f.name, ())
        ]
        found.sort(key=lambda w: w[:2])
        out[circuit] = tuple((control, most) for _, _, control, most in found)
    return out


def _can_end(f: Function) -> bool:
    return f.kind in ORDER and not (f.kind == "scene" and f.again != "off")


def _most(f: Function) -> int:
    return {"toggle": 2, "momentary": 2, "off": 2, "cycle": len(f.positions), "group": 3, "scene": 3}[f.kind]
