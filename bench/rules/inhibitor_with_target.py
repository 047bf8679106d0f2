"""A scene, group, cycle position, on function or wake that holds an inhibitor and its target; and a wake that
switches on one of two that inhibit each other, where the other may come back by itself."""

from __future__ import annotations

from collections.abc import Iterator

from bench.core.errors import Complaint
from bench.spec.model import Spec

from .finding import finding
from .reach import conflicts, inhibitors


def check(spec: Spec) -> list[Complaint]:
    """An error: what is on afterwards would depend on the order in which the box works."""
    found = []
    for what, where, together in _sets(spec):
        said: set[frozenset[str]] = set()
        for inhibitor, target in conflicts(spec, together):
            if frozenset((inhibitor, target)) in said:
                continue
            said.add(frozenset((inhibitor, target)))
            text = f'{what} switches on "{inhibitor}" and "{target}", which "{inhibitor}" inhibits'
            found.append(finding(spec, where, text, "one of the two", "take one of them out"))
    return found


def _sets(spec: Spec) -> Iterator[tuple[str, str, list[str]]]:
    """(what in words, where, circuits that it switches on at one stroke)"""
    for f in spec.functions.values():
        at = f"functions.{f.name}"
        if f.kind == "scene":
            yield f'scene "{f.name}"', f"{at}.scene", [c for c, level in f.presets.items() if level > 0]
        elif f.kind in ("group", "on"):
            yield f'{f.kind} function "{f.name}"', f"{at}.{f.kind}", list(f.members)
        for number, position in enumerate(f.positions, 1):
            yield f'position {number} of "{f.name}"', f"{at}.cycle.{number}", list(position)
    woken = [c for w in spec.wakes if w.level_pct > 0 for c in w.circuits]
    yield "wake-up", "rules", woken
    held = inhibitors(spec)
    for c in woken:
        for other in sorted(held.get(c, ())):
            keeps = spec.boxes[spec.circuits[other].box].wake.others == "retained"
            if keeps and other not in woken and c in held.get(other, ()):
                yield "wake-up, with what was on before,", "rules", [c, other]
