"""What a read of one file gathers: complaints, and the place of every key."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from typing import Final

from bench.core.errors import Complaint, SpecError

from .nodes import Node

MAX_COMPLAINTS = 100
_SUGGEST_FROM = 300  # names looked through for the nearest right one


class Bad:
    """Stands for a value that was complained about; never leaves this room."""

    def __repr__(self) -> str:
        return "BAD"


BAD: Final = Bad()


def nearest(word: str, known: Iterable[str]) -> str:
    """`did you mean "..."?` for the nearest known word, or nothing."""
    words = list(known)[:_SUGGEST_FROM]
    close = get_close_matches(word[:60], words, n=1, cutoff=0.6) or get_close_matches(
        word[:60].lower(), [w for w in words if w.lower() == word[:60].lower()], n=1, cutoff=0.0
    )
    return f'did you mean "{close[0]}"?' if close else ""


def listed(words: Iterable[str], *, most: int = 12, last: str = "or") -> str:
    """`a, b or c`; cut short with `...` beyond `most`."""
    all_words = list(words)
    if len(all_words) > most:
        return ", ".join(all_words[:most]) + ", ..."
    if len(all_words) < 2:
        return "".join(all_words)
    return f"{', '.join(all_words[:-1])} {last} {all_words[-1]}"


class Reading:
    """Complaints and places of one file. `places`: "circuits.horn.rated_a" -> line, column;
    items of a list count from 1."""

    def __init__(self, path: str) -> None:
        self.path = path
        self.places: dict[str, tuple[int, int]] = {}
        self.complaints: list[Complaint] = []
        self.errors = 0
        self._said: set[tuple[str, tuple[int, int]]] = set()

    def at_node(self, node: Node, text: str, expected: str = "", advice: str = "") -> Bad:
        """Complain about a node."""
        return self._add(text, (node.line, node.column), expected, advice, "error")

    def at(
        self, where: str, text: str, expected: str = "", advice: str = "", *, severity: str = "error"
    ) -> Bad:
        """Complain about a key by its dotted path; the nearest key above it when it is not there."""
        place = self.places.get(where)
        while place is None and where:
            where = where.rpartition(".")[0]
            place = self.places.get(where)
        return self._add(text, place or (1, 1), expected, advice, severity)

    def unknown(self, where: str, what: str, name: str, known: Iterable[str]) -> None:
        """Complain about a name that nothing bears."""
        if len(self.complaints) >= MAX_COMPLAINTS:  # only counted from here on
            self.at(where, f'there is no {what} "{name}"')
            return
        names = sorted(known)
        advice = self.suggest(name, names)
        expected = listed(names) if names else f"a {what}, and there is none"
        if advice and len(names) > 12:
            expected = ""
        self.at(where, f'there is no {what} "{name}"', expected, advice)

    def suggest(self, word: str, known: Iterable[str]) -> str:
        """The nearest right word; nothing once there are many complaints."""
        return nearest(word, known) if len(self.complaints) < MAX_COMPLAINTS else ""

    def _add(self, text: str, place: tuple[int, int], expected: str, advice: str, severity: str) -> Bad:
        if (text, place) in self._said:  # the same node, reached through an alias
            return BAD
        self._said.add((text, place))
        if severity == "error":
            self.errors += 1
        if len(self.complaints) < MAX_COMPLAINTS or (severity == "error" and self.errors == 1):
            self.complaints.append(Complaint(text, self.path, *place, expected, advice, severity))
        return BAD

    def sorted(self) -> tuple[Complaint, ...]:
        """All complaints by line and column."""
        return tuple(sorted(self.complaints, key=lambda c: (c.line or 0, c.column or 0)))

    def stop_on_errors(self) -> None:
        """Raises SpecError with everything found so far when any of it is an error."""
        if not self.errors:
            return
        found = list(self.sorted())
        more = self.errors - sum(c.severity == "error" for c in found)
        if more > 0:
            found.append(Complaint(f"and {more} more errors", self.path, advice="mend these first"))
        raise SpecError(found)
