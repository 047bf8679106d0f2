"""A loop through follow and inhibit rules."""

from __future__ import annotations

from bench.core.errors import Complaint
from bench.spec.model import Follow, Inhibit, Spec

from .finding import finding, rule_at


def check(spec: Spec) -> list[Complaint]:
    """An error for each loop with a follow in it; circuits that only inhibit each other are no loop."""
    edges: dict[str, list[str]] = {}
    rules: list[Follow | Inhibit] = [*spec.follows, *spec.inhibits]
    for rule in rules:
        for source in rule.sources:
            edges.setdefault(source, []).append(rule.circuit)
    found = []
    said: set[frozenset[str]] = set()
    for number, follow in enumerate(spec.follows):
        for source in follow.sources:
            way = _way(edges, follow.circuit, source)
            if way is None or frozenset(way) in said:
                continue
            said.add(frozenset(way))
            loop = " -> ".join([source, *way])
            text = f"follow and inhibit rules run in a circle: {loop}"
            where = f"{rule_at(spec, 'follow', number)}.follow"
            found.append(finding(spec, where, text, "rules without a circle", "drop one of these rules"))
    return found


def _way(edges: dict[str, list[str]], start: str, goal: str) -> list[str] | None:
    """A shortest way from start to goal, both included."""
    came: dict[str, str | None] = {start: None}
    queue = [start]
    for here in queue:
        if here == goal:
            way = []
            step: str | None = here
            while step is not None:
                way.append(step)
                step = came[step]
            return way[::-1]
        for there in edges.get(here, ()):
            if there not in came:
                came[there] = here
                queue.append(there)
    return None
