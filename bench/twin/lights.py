"""Where two boxes differ in lamps and lighting alone: do these show the same whatever their channels do?

What is shown is asked of the firmware's own code, with channels that decide what they are only when they
are looked at, each time in another way, until every way was gone. What is never looked at does not matter.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Generic, NamedTuple, TypeVar, cast

from .channels import Channels
from .indicators import Indicators
from .operations import Operations
from .quirks import Quirks
from .tables import Tables

T = TypeVar("T")
MOST_WAYS = 200_000
BETWEEN_PCT = 37.25  # stands for any level that no row names


class _Channel(NamedTuple):
    stored: float
    out: float
    tripped: bool = False
    locked: bool = False


class _Ways:
    """Numbers below what is asked for; after `another` the next sequence of them."""

    def __init__(self) -> None:
        self._chosen: list[list[int]] = []
        self._at = 0

    def choose(self, below: int) -> int:
        if self._at == len(self._chosen):
            self._chosen.append([0, below])
        self._at += 1
        return self._chosen[self._at - 1][0]

    def another(self) -> bool:
        """False when there was none left."""
        self._at = 0
        while self._chosen and self._chosen[-1][0] + 1 == self._chosen[-1][1]:
            self._chosen.pop()
        if self._chosen:
            self._chosen[-1][0] += 1
        return bool(self._chosen)


class _Undecided:
    """Channels, as far as indicators look at them."""

    def __init__(self, tables: Tables, ways: _Ways) -> None:
        self.quirks, self._ways = Quirks(), ways
        self._is: dict[int, _Channel] = {}
        self._can = {c.number: _all_that_can_be(tables, c.number) for c in tables.channels}
        self.stored = _View(self, lambda channel: channel.stored)
        self.out = _View(self, lambda channel: channel.out)
        self.tripped = _View(self, lambda channel: channel.tripped)

    def at(self, c: int) -> _Channel:
        if c not in self._is:
            can = self._can[c]
            self._is[c] = can[self._ways.choose(len(can))]
        return self._is[c]

    def locked(self, c: int) -> bool:
        return self.at(c).locked

    def forget(self) -> None:
        self._is.clear()


class _View(Generic[T]):
    """One property of every channel, by its number."""

    def __init__(self, channels: _Undecided, of: Callable[[_Channel], T]) -> None:
        self._channels, self._of = channels, of

    def __getitem__(self, c: int) -> T:
        return self._of(self._channels.at(c))


def _all_that_can_be(tables: Tables, c: int) -> list[_Channel]:
    """All that a channel can be, and more: free, worked from elsewhere, locked on or off, tripped."""
    levels = {0.0, BETWEEN_PCT, 100.0, *(o.levels[c] for o in tables.operations if c in o.levels)}
    levels |= {w.percent for w in tables.wakes if c in w.channels}
    found = {_Channel(0.0, 0.0, locked=True), _Channel(0.0, 0.0, tripped=True, locked=True)}
    found.add(_Channel(0.0, 100.0, tripped=True, locked=True))
    for level in levels:
        for out in (level, 100.0):
            found |= {_Channel(level, out), _Channel(level, out, locked=True)}
    return sorted(found)


def only_lights_differ(tables: Tables, wrong: Tables) -> bool:
    """Whether the rows that differ are of lamps and lighting alone, so that all else goes the same way."""
    keys = tuple(replace(k, lamp=None, lamp_operation=0) for k in tables.keys)
    others = tuple(replace(k, lamp=None, lamp_operation=0) for k in wrong.keys)
    rest = replace(wrong, keys=tables.keys, backlights=tables.backlights)
    return keys == others and rest == tables


def ways_alike(tables: Tables, wrong: Tables, most: int = MOST_WAYS) -> int:
    """In how many ways channels can be what lamps look at, when all show the same; 0 when some do not, or
    when there are more than `most`."""
    total = 0
    for subject in _unlike(tables, wrong):
        ways = _Ways()
        channels = _Undecided(tables, ways)
        one, other = (_shows(t, channels) for t in (tables, wrong))
        while True:
            channels.forget()
            for number, row in tables.operation.items():
                if row.place == "counted":
                    place = ways.choose(len(row.rows))
                    one.operations.place[number] = other.operations.place[number] = place
            total += 1
            if total > most or _shown(one, subject) != _shown(other, subject):
                return 0
            if not ways.another():
                break
    return total


def _unlike(tables: Tables, wrong: Tables) -> Sequence[tuple[str, int]]:
    keys = [(a.node, a.key) for a, b in zip(tables.keys, wrong.keys, strict=True) if a != b]
    nodes = {r.node for r in (*tables.backlights, *wrong.backlights)}
    return keys + ([(n, 0) for n in sorted(nodes)] if tables.backlights != wrong.backlights else [])


def _shows(tables: Tables, channels: _Undecided) -> Indicators:
    seen = cast(Channels, channels)
    return Indicators(tables, seen, Operations(tables, seen))


def _shown(indicators: Indicators, subject: tuple[str, int]) -> float:
    node, key = subject
    return indicators.lamp(indicators.keys[subject]) if key else indicators.backlight(node)
