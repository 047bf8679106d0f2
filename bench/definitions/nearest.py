"""The nearest right name for a misspelt one."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches


def nearest(word: str, right: Iterable[str]) -> str:
    """`did you mean "Counter"?`, or an empty text when nothing is near."""
    names = sorted(set(right))
    close = get_close_matches(word, names, n=1, cutoff=0.5)
    if not close:
        lower = {n.lower(): n for n in names}
        close = [lower[k] for k in get_close_matches(word.lower(), lower, n=1, cutoff=0.5)]
    return f'did you mean "{close[0]}"?' if close else ""
