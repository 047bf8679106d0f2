"""Words that tell places apart which look alike, and a walk that shows in which of them a move has ended.

A move that ends in a wrong place is seen at once where that place shows other outputs. Where it does not, a
word must follow that shows which of them it is: one for each pair of places, the same from both (a harmonised
set, as in the HSI method). Where the tour goes on with other letters that show it as well, that will do.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from copy import copy
from itertools import combinations

from .machine import Letter, Machine, Move
from .postman import Edge, walk_to

DEAR_MS = 5_000  # a word that takes longer waits for a timer
MOST_MS = 8_000  # to the next move that is to be tried, and its word

Moves = Mapping[tuple[int, Hashable], tuple[int, int]]  # place and letter -> where it leads, and its cost
Differ = Callable[[int, int], bool]
Word = tuple[Hashable, ...]
Fault = tuple[int, int]


def word(one: int, other: int, moves: Moves, differ: Differ, most: int = DEAR_MS) -> Word | None:
    """The cheapest letters that lead from `one` and from `other` to places that differ; None where there are
    none that cost `most` at most. `differ`: of two places, by what they show."""
    letters: dict[int, list[Hashable]] = {}
    for place, letter in moves:
        letters.setdefault(place, []).append(letter)
    queue: list[tuple[int, int, tuple[int, int], Word]] = [(0, 0, (one, other), ())]
    seen: set[tuple[int, int]] = set()
    count = 0
    while queue:
        cost, _, (a, b), said = heapq.heappop(queue)
        if said and differ(a, b):
            return said
        if a == b or (a, b) in seen:
            continue
        seen.add((a, b))
        for letter in letters.get(a, ()):
            if (b, letter) not in moves:
                continue
            (to_a, cost_a), (to_b, cost_b) = moves[a, letter], moves[b, letter]
            more = cost + max(cost_a, cost_b)
            if more <= most:
                count += 1
                heapq.heappush(queue, (more, count, (to_a, to_b), (*said, letter)))
    return None


class Checks:
    """Moves that would look right though they ended in a wrong place, and what shows that they did not.

    `faults`: a move by number and a place that looks like the one it leads to; `walk`: moves that show those
    which the `order` of the tour does not show; `walked`: what was done, with None for anything that came in
    between. `untold`: faults that no word shows soon, or that are too far to be tried.
    """

    def __init__(self, machine: Machine, moves: Sequence[Move], order: Sequence[int]) -> None:
        self._number = {m: n for n, m in reversed(list(enumerate(moves)))}
        self._moves = moves
        self._machine = machine
        self._to = {(m.tail, m.letter): m.head for p in {m.tail for m in moves} for m in machine.moves(p)}
        self.walked: list[int | None] = []
        self.untold = 0
        self._words: dict[tuple[int, int], Word | None] = {}
        tour = [self.canonical(n) for n in order]
        self.faults = list(self._faults(tour))
        self.length = 1
        self.walk = self._walk(tour)

    def canonical(self, number: int) -> int:
        """The number of the first of equal moves."""
        return self._number[self._moves[number]]

    def afresh(self) -> Checks:
        """The same, of which nothing is walked yet."""
        made = copy(self)
        made.walked = []
        return made

    @property
    def done(self) -> int:
        """How many faults what was walked would have shown."""
        return sum(self._shows(self.walked, fault) for fault in self.faults)

    def _differ(self, a: int, b: int) -> bool:
        pairs = zip(self._machine.outputs[a], self._machine.outputs[b], strict=True)
        return any(hi < lo2 or hi2 < lo for (lo, hi), (lo2, hi2) in pairs)

    def _faults(self, tour: Sequence[int]) -> Iterator[Fault]:
        places = self._machine.places
        here = sorted({self._moves[n].head for n in tour})
        walked = dict.fromkeys(
            self._moves[n] for n in sorted(tour)
        )  # in order, as of equal words one is taken
        steps: Moves = {(m.tail, m.letter): (m.head, m.cost_ms) for m in walked}
        alike: dict[int, list[int]] = {a: [] for a in here}
        for a, b in combinations(here, 2):
            if places[a][1:] == places[b][1:] and not self._differ(a, b):
                alike[a].append(b)
                alike[b].append(a)
                self._words[a, b] = self._words[b, a] = word(a, b, steps, self._differ)
        for n in sorted(set(tour)):
            for other in alike[self._moves[n].head]:
                if self._words[self._moves[n].head, other] is None:
                    self.untold += 1
                else:
                    yield n, other

    def _shows(self, walk: Sequence[int | None], fault: Fault) -> bool:
        """Whether a box that goes to a wrong place by this move shows another output later in the walk."""
        number, wrong = fault
        at = -1
        while number in walk[at + 1 :]:
            at = walk.index(number, at + 1)
            place = wrong
            for then in walk[at + 1 :]:
                if then is None:
                    break
                move = self._moves[then]
                key = place, move.letter
                if key == (self._moves[number].tail, self._moves[number].letter):
                    place = wrong
                elif key in self._to:
                    place = self._to[key]
                elif move.letter.kind != "end":
                    break
                if self._differ(place, move.head):
                    return True
                if place == move.head:
                    break
        return False

    def _walk(self, tour: list[int]) -> list[int]:
        """From rest and back to it, always on to what is nearest."""
        edges = [Edge(m.tail, m.head, m.cost_ms) for m in self._moves]
        left = [f for f in self.faults if not self._shows(tour, f)]
        walk: list[int] = []
        while left:
            ways = [w for fault in left if (w := self._way(edges, walk, self._path(fault))) is not None]
            best = min(ways, key=lambda w: sum(edges[n].cost for n in w), default=None)
            if best is None or sum(edges[n].cost for n in best) > MOST_MS:
                self.faults = [f for f in self.faults if f not in left]
                self.untold += len(left)
                break
            walk += best
            left = [f for f in left if not self._shows([*tour, *walk], f)]
        home = walk_to(edges, edges[walk[-1]].head, {0}) if walk else None
        is_near = home is not None and sum(edges[n].cost for n in home) <= MOST_MS
        return [*walk, *(self.canonical(n) for n in home or () if is_near)]

    def _path(self, fault: Fault) -> list[int]:
        """The move, and the word after it."""
        path = [self._moves[fault[0]]]
        by_place = {(m.tail, m.letter): m for m in self._number}
        for letter in self._words[path[0].head, fault[1]] or ():
            assert isinstance(letter, Letter)
            path.append(by_place[path[-1].head, letter])
        self.length = max(self.length, len(path))
        return [self._number[m] for m in path]

    def _way(self, edges: Sequence[Edge], walk: list[int], path: list[int]) -> list[int] | None:
        """What is to be added to a walk so that it ends with the path."""
        for shared in range(len(path) - 1, 0, -1):
            if walk[-shared:] == path[:shared]:
                return path[shared:]
        here = edges[walk[-1]].head if walk else 0
        found = walk_to(edges, here, {edges[path[0]].tail})
        return None if found is None else [*(self.canonical(n) for n in found), *path]
