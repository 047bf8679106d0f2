"""A group with one member."""

from __future__ import annotations

from bench.core.errors import Complaint
from bench.spec.model import Spec

from .finding import finding


def check(spec: Spec) -> list[Complaint]:
    """A warning: it does what the circuit's plain toggle does, except with a tripped circuit."""
    return [
        finding(
            spec,
            f"functions.{f.name}",
            f'group "{f.name}" has one member, "{f.members[0]}"',
            "two or more",
            f"name {f.members[0]} at the control, or toggle: {f.members[0]}",
            warning=True,
        )
        for f in spec.functions.values()
        if f.kind == "group" and len(f.members) == 1
    ]
