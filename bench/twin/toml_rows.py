"""Reads rows out of TOML with a complaint, its line, and the nearest right word for everything wrong."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Iterable, Mapping
from typing import Any, TypeVar

from bench.core.errors import Complaint

T = TypeVar("T")
U = TypeVar("U")
_HEADER = re.compile(r"\s*\[\[?\s*([\w.]+)\s*\]?\]")
_KEY = re.compile(r"\s*([\w-]+)\s*=")


def places(text: str) -> dict[tuple[str, int, str], int]:
    """Line of every section's n-th row (key "") and of its keys, counted from 1."""
    found: dict[tuple[str, int, str], int] = {}
    counts: dict[str, int] = {}
    section, index = "", 0
    for number, line in enumerate(text.splitlines(), 1):
        if header := _HEADER.match(line):
            section = header.group(1)
            index = counts.get(section, 0)
            counts[section] = index + 1
            found[section, index, ""] = number
        elif key := _KEY.match(line):
            found.setdefault((section, index, key.group(1)), number)
    return found


def nearest(word: str, words: Iterable[str]) -> str:
    """Advice naming the nearest right word, or nothing."""
    close = difflib.get_close_matches(word, list(words), 1)
    return f"did you mean {close[0]!r}?" if close else ""


class Row:
    """One table of the file; remembers which keys were asked for."""

    def __init__(
        self,
        data: Mapping[str, Any],
        section: str,
        index: int,
        path: str,
        lines: Mapping[tuple[str, int, str], int],
        complaints: list[Complaint],
        prefix: str = "",
    ) -> None:
        self.data, self.section, self.index, self.path = data, section, index, path
        self.lines, self.complaints, self.prefix = lines, complaints, prefix
        self.known: list[str] = []

    def complain(self, text: str, key: str = "", expected: str = "", advice: str = "") -> None:
        """Add a complaint at the line of `key`, or of the row."""
        line = self.lines.get((self.section, self.index, self.prefix or key))
        line = line or self.lines.get((self.section, self.index, ""))
        self.complaints.append(Complaint(text, self.path, line, None, expected, advice))

    def _get(self, key: str, default: Any) -> Any:  # noqa: ANN401
        self.known.append(key)
        if key in self.data:
            return self.data[key]
        if default is None:
            self.complain(f"{self._where()} lacks {key!r}", key)
        return None

    def _where(self) -> str:
        inner = f" {self.prefix}" if self.prefix else ""
        return f"[[{self.section}]] number {self.index + 1}{inner}" if self.section else "the file"

    def _wrong(self, key: str, got: object, expected: str) -> None:
        self.complain(f"{self._where()} has {key} = {got!r}", key, expected)

    def integer(self, key: str, default: int | None = None, low: int = 0, high: int = 1 << 32) -> int:
        """A whole number of [low, high]."""
        got = self._get(key, default)
        if got is None:
            return default or 0
        if isinstance(got, bool) or not isinstance(got, int) or not low <= got <= high:
            self._wrong(key, got, f"a whole number from {low} to {high}")
            return low
        return got

    def number(self, key: str, default: float | None = None, low: float = 0.0, high: float = 1e9) -> float:
        """A finite number of [low, high]."""
        got = self._get(key, default)
        if got is None:
            return default or 0.0
        good = isinstance(got, (int, float)) and not isinstance(got, bool) and math.isfinite(got)
        if not good or not low <= got <= high:
            self._wrong(key, got, f"a number from {low:g} to {high:g}")
            return low
        return float(got)

    def flag(self, key: str, default: bool | None = None) -> bool:
        """true or false."""
        got = self._get(key, default)
        if got is None:
            return bool(default)
        if not isinstance(got, bool):
            self._wrong(key, got, "true or false")
        return bool(got)

    def word(self, key: str, choices: Iterable[str], default: str | None = None) -> str:
        """One of `choices`."""
        got = self._get(key, default)
        if got is None:
            return default or ""
        choices = list(choices)
        if got not in choices:
            advice = nearest(str(got), choices)
            self.complain(f"{self._where()} has {key} = {got!r}", key, " or ".join(choices), advice)
            return choices[0]
        return str(got)

    def text(self, key: str, default: str | None = None) -> str:
        """Any text."""
        got = self._get(key, default)
        if got is None:
            return default or ""
        if not isinstance(got, str):
            self._wrong(key, got, "a text")
        return str(got)

    def integers(self, key: str, default: tuple[int, ...] | None = None) -> tuple[int, ...]:
        """A list of whole numbers."""
        got = self._get(key, default)
        if got is None:
            return default or ()
        if not isinstance(got, list) or not all(isinstance(v, int) and not isinstance(v, bool) for v in got):
            self._wrong(key, got, "a list of whole numbers")
            return ()
        return tuple(got)

    def words(
        self, key: str, choices: Iterable[str], default: frozenset[str] | None = None
    ) -> frozenset[str]:
        """A list of some of `choices`."""
        got = self._get(key, default)
        if got is None:
            return default or frozenset()
        choices = list(choices)
        for word in got if isinstance(got, list) else [got]:
            if word not in choices:
                advice = nearest(str(word), choices)
                self.complain(
                    f"{self._where()} has {word!r} in {key}", key, "some of " + ", ".join(choices), advice
                )
        return frozenset(str(w) for w in got) if isinstance(got, list) else frozenset()

    def inner(self, key: str) -> Row | None:
        """A table inside this one, or None."""
        self.known.append(key)
        got = self.data.get(key)
        if got is None:
            return None
        if not isinstance(got, dict):
            self._wrong(key, got, "a table { ... }")
            return None
        within = self.prefix or key
        return Row(got, self.section, self.index, self.path, self.lines, self.complaints, within)

    def part(self, key: str, make: Callable[[Row], T], otherwise: U) -> T | U:
        """A table inside this one, all of whose keys `make` asks for; `otherwise` where there is none."""
        inner = self.inner(key)
        if inner is None:
            return otherwise
        made = make(inner)
        inner.done()
        return made

    def inners(self, key: str) -> list[Row]:
        """A list of tables inside this one."""
        self.known.append(key)
        got = self.data.get(key, [])
        if not isinstance(got, list) or not all(isinstance(v, dict) for v in got):
            self._wrong(key, got, "a list of tables { ... }")
            return []
        return [Row(v, self.section, self.index, self.path, self.lines, self.complaints, key) for v in got]

    def raw(self, key: str) -> Any:  # noqa: ANN401
        """Whatever stands there; None when nothing does."""
        self.known.append(key)
        return self.data.get(key)

    def done(self) -> None:
        """Complain about every key nobody asked for."""
        for key in self.data:
            if key not in self.known:
                self.complain(
                    f"{self._where()} has an unknown key {key!r}", key, advice=nearest(key, self.known)
                )
