"""How a rule says what it found."""

from __future__ import annotations

from bench.core.errors import Complaint
from bench.spec.model import Spec


def finding(
    spec: Spec, where: str, text: str, expected: str = "", advice: str = "", *, warning: bool = False
) -> Complaint:
    """A complaint at a key of the spec (dotted path; the nearest key above it that is there)."""
    place = spec.places.get(where)
    while place is None and where:
        where = where.rpartition(".")[0]
        place = spec.places.get(where)
    line, column = place or (None, None)
    return Complaint(text, spec.path, line, column, expected, advice, "warning" if warning else "error")


def rule_at(spec: Spec, kind: str, number: int) -> str:
    """The dotted path of the `number`th (from 0) rule of a kind, among all rules of the spec."""
    seen = -1
    at = 1
    while f"rules.{at}" in spec.places:
        if f"rules.{at}.{kind}" in spec.places:
            seen += 1
            if seen == number:
                return f"rules.{at}"
        at += 1
    return "rules"


def quoted(names: object) -> str:
    """`"a", "b" and "c"`."""
    words = [f'"{n}"' for n in names]  # type: ignore[attr-defined]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
