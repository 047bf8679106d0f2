"""Stretches in which the bench cannot be trusted."""

from __future__ import annotations

from bisect import bisect_right
from typing import NamedTuple


class Blind(NamedTuple):
    """One stretch, and why."""

    since_ns: int
    until_ns: int
    why: str


class Blindness:
    """All of them, however late they are told. `last`: the one that was told last."""

    def __init__(self) -> None:
        self._since_ns: list[int] = []  # rising
        self._all: list[Blind] = []
        self._latest: list[Blind] = []  # of those up to each, the one that ends last
        self.last: Blind | None = None

    def add(self, since_ns: int, until_ns: int, why: str) -> None:
        """One more."""
        self.last = blind = Blind(since_ns, until_ns, why)
        at = bisect_right(self._since_ns, since_ns)
        self._since_ns.insert(at, since_ns)
        self._all.insert(at, blind)
        del self._latest[at:]
        for one in self._all[at:]:
            before = self._latest[-1] if self._latest else one
            self._latest.append(one if one.until_ns >= before.until_ns else before)

    def over(self, since_ns: int, until_ns: int) -> str:
        """Why the bench was blind somewhere in [since, until]; empty when it was not."""
        at = bisect_right(self._since_ns, until_ns)
        if at and self._latest[at - 1].until_ns >= since_ns:
            return self._latest[at - 1].why
        return ""
