"""A tour's transitions in another order: what is worth most for its time first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from .act import Script
from .desk import IDLE, Desk
from .postman import costs_from, returnable, walk_to
from .tour import MOST_TRIES, SLACK_MS, Tour

KEY_WORTH = 10  # a key that is tried for the first time, in tags
KEYS, QUICK, ALL = "keys", "quick", "all"


class Walk:
    """The stages of one tour share what is done already. `keys`: until each key had an effect. `quick`: all
    that needs no timer to end. `all`: the rest. Each begins and ends at rest."""

    def __init__(self, desk: Desk, tour: Tour) -> None:
        self._desk, self._tour = desk, tour
        stranded = set(tour.stranded)
        self._need = Counter(n for n, move in enumerate(tour.moves) if move not in stranded)
        self._earned: set[str] = set()
        self._tries: Counter[int] = Counter()
        every = range(len(tour.edges))
        quick = [n for n in every if tour.moves[n].letter.kind != "end"]
        inside = returnable([tour.edges[n] for n in quick], 0)
        self._quick = [n for n in quick if tour.edges[n].tail in inside and tour.edges[n].head in inside]
        self._all = list(every)

    @property
    def is_long(self) -> bool:
        """Whether some of it is left when all that is quick is done."""
        return not set(self._need) <= set(self._quick)

    def script(self, stage: str) -> Script:
        """One stage."""
        self._tour.at_rest()
        usable = self._all if stage == ALL else self._quick
        while path := self._next(stage, usable):
            for number in path:
                move = self._tour.moves[number]
                if move.letter.kind != "end" and self._tour.ends_within(move.cost_ms + SLACK_MS):
                    self._tries[path[-1]] += 1
                    if self._tries[path[-1]] >= MOST_TRIES and path[-1] in self._need:
                        self._tour.given_up.append(self._tour.moves[path[-1]])
                        del self._need[path[-1]]
                    yield from self._tour.wait("")
                    break
                yield from self._tour.do(move)
                self._earned.update(self._tour.covers(move))
                if self._tour.here() != move.head:
                    break
                self._need -= Counter([number])
        yield from self._tour.home()

    def _next(self, stage: str, usable: Sequence[int]) -> list[int]:
        """The way to the most worthy move that is still needed, and that move; empty when there is none."""
        here = self._tour.here()
        if here is None:
            return []
        edges = [self._tour.edges[n] for n in usable]
        far = costs_from(edges, here)
        best: tuple[float, int, int] | None = None
        for n in usable:
            edge = self._tour.edges[n]
            if n not in self._need or edge.tail not in far:
                continue
            key = self._tries_key(n)
            if stage == KEYS and not key:
                continue
            ms = far[edge.tail] + edge.cost
            worth = KEY_WORTH * key + sum(
                t not in self._earned for t in self._tour.covers(self._tour.moves[n])
            )
            rank = (-(worth + 0.01) / ms, ms, n)
            best = rank if best is None else min(best, rank)
        if best is None:
            return []
        way = walk_to(edges, here, {self._tour.edges[best[2]].tail}) or []
        return [*(usable[i] for i in way), best[2]]

    def _tries_key(self, number: int) -> bool:
        move = self._tour.moves[number]
        if move.letter.kind not in ("tap", "down") or self._tour.effect(move) in IDLE:
            return False
        return self._desk.untried(move.letter.name)
