"""The nearest right name for a misspelt one."""

from __future__ import annotations

import re
from collections.abc import Iterable
from difflib import get_close_matches


def nearest(word: str, right: Iterable[str]) -> str:
    """`did you mean "Counter"?`, or an empty text when nothing is near."""
    names = sorted(set(right))
    if same := same_number(word, names):
        return f'did you mean "{same}"?'
    close = get_close_matches(word, names, n=1, cutoff=0.5)
    if not close:
        lower = {n.lower(): n for n in names}
        close = [lower[k] for k in get_close_matches(word.lower(), lower, n=1, cutoff=0.5)]
    return f'did you mean "{close[0]}"?' if close else ""


def same_number(word: str, right: Iterable[str]) -> str:
    """The name that differs from `word` only in the zeros before a number at its end; empty if none."""
    found = re.fullmatch(r"(.*?)0*(\d+)", word)
    if found is None:
        return ""
    pattern = re.compile(rf"{re.escape(found[1])}0*{found[2]}")
    return next((n for n in right if n != word and pattern.fullmatch(n)), "")
