"""A circuit that follows and is inhibited by the same source."""

from __future__ import annotations

from bench.core.errors import Complaint
from bench.spec.model import Spec

from .finding import finding, rule_at
from .reach import inhibitors


def check(spec: Spec) -> list[Complaint]:
    """An error: the source would switch it on and keep it off by one and the same edge."""
    held = inhibitors(spec)
    found = []
    for number, follow in enumerate(spec.follows):
        for source in follow.sources:
            if source in held.get(follow.circuit, ()):
                text = f'circuit "{follow.circuit}" follows "{source}" and is inhibited by it'
                where = f"{rule_at(spec, 'follow', number)}.follow"
                found.append(finding(spec, where, text, "one of the two", "drop one of these rules"))
    return found
