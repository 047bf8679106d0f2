"""Two equal positions in a cycle that reads its position off the outputs."""

from __future__ import annotations

from bench.core.errors import Complaint
from bench.spec.model import Function, Spec

from .finding import finding


def check(spec: Spec) -> list[Complaint]:
    """An error: the outputs cannot tell at which of the two the cycle stands."""
    derived = (f for f in spec.functions.values() if f.kind == "cycle" and f.position == "derived")
    return [complaint for f in derived for complaint in _equal(spec, f)]


def _equal(spec: Spec, function: Function) -> list[Complaint]:
    first: dict[frozenset[str], int] = {}
    found = []
    for number, position in enumerate(function.positions, 1):
        before = first.setdefault(frozenset(position), number)
        if before != number:
            text = f'positions {before} and {number} of "{function.name}" switch on the same circuits'
            where = f"functions.{function.name}.cycle.{number}"
            advice = "delete one, or use position: counter"
            found.append(finding(spec, where, text, "positions that differ", advice))
    return found
