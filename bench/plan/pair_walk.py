"""A walk through a machine too large for every place: each letter with each pair of values before it."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from itertools import combinations

from .machine import Letter, Machine, Move

MOST_MS = 100_000
LOOK = 300  # places looked at for one more pair

Pair = tuple[Letter, int, int]


class PairWalk:
    """`moves`: the walk, from rest. `pairs`: how many it covers, of a letter with two values before it (a
    circuit on or off, a key held, a sensor active); `is_cut`: more were in reach, and it took too long."""

    def __init__(self, machine: Machine, most_ms: float = MOST_MS) -> None:
        self._machine = machine
        self._values: dict[tuple[str, bool], int] = {}
        self._pairs_at: dict[int, list[tuple[int, int]]] = {}
        self._seen: set[Pair] = set()
        self.moves: list[Move] = []
        self.is_cut = False
        here, spent_ms = 0, 0
        while path := self._next(here):
            for move in path:
                self._seen.update(self._pairs(move))
                self.moves.append(move)
                spent_ms += move.cost_ms
                here = move.head
            if spent_ms > most_ms:
                self.is_cut = bool(self._next(here))
                break
        self.pairs = len(self._seen)

    def _next(self, here: int) -> list[Move]:
        """The shortest way to a letter with new pairs, and that letter; of several the one with most."""
        way: dict[int, list[Move]] = {here: []}
        queue = deque([here])
        while queue and len(way) <= LOOK:
            place = queue.popleft()
            moves = [m for m in self._machine.moves(place) if m.letter.kind != "end"]
            best = max(moves, key=self._news, default=None)
            if best is not None and self._news(best):
                return [*way[place], best]
            for move in moves:
                if move.head not in way:
                    way[move.head] = [*way[place], move]
                    queue.append(move.head)
        return []

    def _news(self, move: Move) -> int:
        return sum(pair not in self._seen for pair in self._pairs(move))

    def _pairs(self, move: Move) -> Iterator[Pair]:
        found = self._pairs_at.get(move.tail)
        if found is None:
            values = sorted(self._variables(move.tail))
            found = self._pairs_at[move.tail] = list(combinations(values, 2))
        return ((move.letter, a, b) for a, b in found)

    def _variables(self, place: int) -> Iterator[int]:
        at, machine = self._machine.places[place], self._machine
        values = [(c, on) for c, on in machine.on(place).items()]
        values += [(f, f in at.held) for f in machine.functions if machine.is_momentary(f)]
        values += [(s, s in at.active) for s in machine.sensors]
        return (self._values.setdefault(v, len(self._values)) for v in values)
