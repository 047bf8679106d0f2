"""Small pieces of plain language: lists, ordinals, durations."""

from __future__ import annotations

from collections.abc import Iterable

_ORDINALS = ["first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth"]


def names(words: Iterable[str], last: str = "and") -> str:
    """`a`, `a and b`, `a, b and c`."""
    every = list(words)
    if len(every) < 2:
        return "".join(every)
    return f"{', '.join(every[:-1])} {last} {every[-1]}"


def ordinal(number: int) -> str:
    """`first press`, `press 11`."""
    return f"{_ORDINALS[number - 1]} press" if number <= len(_ORDINALS) else f"press {number}"


def seconds(ms: float) -> str:
    """`250 ms`, `1.5 s`."""
    return f"{ms / 1000:g} s" if ms >= 1000 else f"{ms:g} ms"


def capital(text: str) -> str:
    """The text with its first letter large."""
    return text[:1].upper() + text[1:]


def is_are(words: Iterable[str]) -> str:
    """`is` for one, `are` for several."""
    return "is" if len(list(words)) == 1 else "are"
