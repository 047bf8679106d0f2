"""A walk through a machine too large for every place: what each rule and function promises, then each letter
with each pair of values before it."""

from __future__ import annotations

import heapq
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import combinations

from .machine import Letter, Machine, Move

MOST_MS = 85_000
LOOK = 300  # places looked at for one more pair
LOOK_HOME = 2000  # and for the way to rest

Pair = tuple[Letter, int, int]
News = Callable[[Move], int]


class PairWalk:
    """`tags`: what a move shows of the spec. `moves`: the walk, from rest. `pairs`: how many it covers, of a
    letter with two values before it (a circuit on or off, a key held, a sensor active); `is_cut`: more were
    in reach, and it took too long."""

    def __init__(
        self, machine: Machine, tags: Callable[[Move], Sequence[str]], most_ms: float = MOST_MS
    ) -> None:
        self._machine, self._tags = machine, tags
        self._values: dict[tuple[str, bool], int] = {}
        self._pairs_at: dict[int, list[tuple[int, int]]] = {}
        self._moves_at: dict[int, list[Move]] = {}
        self._fresh: dict[int, list[Move]] = {}
        self._seen: set[Pair] = set()
        self._earned: set[str] = set()
        self._here, self._spent_ms = 0, 0
        self.moves: list[Move] = []
        self.is_cut = self._go(self._new_tags, most_ms) or self._go(self._new_pairs, most_ms)
        self.pairs = len(self._seen)

    def count(self, moves: Iterable[Move]) -> int:
        """How many pairs these cover."""
        return len({pair for move in moves for pair in self._pairs(move)})

    def _go(self, news: News, most_ms: float) -> bool:
        """Walks while there is anything new; whether there was more than there was time for."""
        self._fresh.clear()
        while path := self._next(news):
            if self._spent_ms > most_ms:
                return True
            for move in path:
                self._seen.update(self._pairs(move))
                self._earned.update(self._tags(move))
                self.moves.append(move)
                self._spent_ms += move.cost_ms
                self._here = move.head
        return False

    def _next(self, news: News) -> list[Move]:
        """A short way to a letter with something new, and that letter; by way of rest where none is near."""
        path = self._near(self._here, news)
        if path or self._here == 0:
            return path
        path, home = self._near(0, news), self._home()
        return [*home, *path] if path and home else []

    def _near(self, start: int, news: News) -> list[Move]:
        """The shortest way, and of several letters the one with most."""
        way: dict[int, list[Move]] = {start: []}
        queue = deque([start])
        while queue and len(way) <= LOOK:
            place = queue.popleft()
            moves = self._moves(place)
            found = [(n, m) for m in self._fresh.get(place, moves) if (n := news(m))]
            self._fresh[place] = [m for _, m in found]  # what has nothing new will have nothing later
            if found:
                return [*way[place], max(found, key=lambda row: row[0])[1]]
            for move in moves:
                if move.head not in way:
                    way[move.head] = [*way[place], move]
                    queue.append(move.head)
        return []

    def _moves(self, place: int) -> list[Move]:
        """All that does not wait for a timer."""
        found = self._moves_at.get(place)
        if found is None:
            found = self._moves_at[place] = [m for m in self._machine.moves(place) if m.letter.kind != "end"]
        return found

    def _home(self) -> list[Move]:
        """A way to rest, by places where less and less is on, held or active; nothing where none is near."""
        way: dict[int, list[Move]] = {self._here: []}
        queue = [(0, self._here)]
        while queue and len(way) <= LOOK_HOME:
            _, place = heapq.heappop(queue)
            if place == 0:
                return way[place]
            for move in self._moves(place):
                if move.head not in way:
                    way[move.head] = [*way[place], move]
                    heapq.heappush(queue, (self._load(move.head), move.head))
        return []

    def _load(self, place: int) -> int:
        at = self._machine.places[place]
        return len(at.held) + len(at.active) + sum(self._machine.on(place).values())

    def _new_tags(self, move: Move) -> int:
        return sum(tag not in self._earned for tag in self._tags(move))

    def _new_pairs(self, move: Move) -> int:
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
