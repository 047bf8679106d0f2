"""A circuit that a control can switch on and none can switch off."""

from __future__ import annotations

from bench.core.errors import Complaint
from bench.spec.model import Spec

from .finding import finding, rule_at
from .reach import bound, can_switch_off, can_switch_on


def check(spec: Spec) -> list[Complaint]:
    """An error: neither the owner nor the bench's safe-off could end what a press began."""
    functions = bound(spec).values()
    off = {c for f in functions for c in can_switch_off(f)}
    by_itself = {n for n, c in spec.circuits.items() if c.auto_off is not None}
    found = []
    for function in functions:
        for name in function.circuits:
            if name in off or name in by_itself or name not in can_switch_on(function):
                continue
            off.add(name)  # said once
            text = f'function "{function.name}" switches circuit "{name}" on, and no control switches it off'
            where = f"functions.{function.name}"
            found.append(
                finding(spec, where, text, "a control that switches it off", "bind a toggle or an off")
            )
    for number, follow in enumerate(spec.follows):
        name = follow.circuit
        if follow.release == "keep" and name not in off and name not in by_itself:
            text = f'circuit "{name}" stays on after what it follows, and no control switches it off'
            where = f"{rule_at(spec, 'follow', number)}.follow"
            found.append(
                finding(spec, where, text, "a control that switches it off", "bind one, or release: drop")
            )
    return found
