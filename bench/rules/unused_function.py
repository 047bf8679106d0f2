"""A function or outside entry that says nothing because no control is behind it."""

from __future__ import annotations

from bench.core.errors import Complaint
from bench.spec.model import Spec

from .finding import finding
from .reach import bound


def check(spec: Spec) -> list[Complaint]:
    """A warning: nobody can work it, so nothing of it can be tested."""
    used = bound(spec)
    return [
        finding(
            spec,
            f"functions.{name}",
            f'no control works function "{name}"',
            "a key that names it",
            "bind it or delete it",
            warning=True,
        )
        for name, f in spec.functions.items()
        if name not in used and not f.implied
    ]
