"""A walk that does every sequence of two or three letters, for a fault that shows only after another one."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from copy import copy

from .machine import Move
from .postman import Edge, closed_tour
from .varied import varied

MOST = 4_000  # sequences in one cluster; with more of them, shorter ones are done instead


class Sequences:
    """Every sequence of `wanted` letters in a machine, or of the most for which there are not too many.

    `length`: theirs, 1 where there are none; `walk`: moves by number, that do them all; `walked`: what of it
    was done, with None for anything that came in between.
    """

    def __init__(self, moves: Sequence[Move], wanted: int) -> None:
        self.wanted, self.length = wanted, 1
        self.every: list[tuple[int, ...]] = []
        inner = lasting(moves) if wanted > 1 else []
        for length in range(wanted, 1, -1):
            self.every = paths(moves, inner, length, MOST)
            if self.every:
                self.length = length
                break
        self.is_cut = bool(inner) and self.length < wanted
        self.walk = sequence_walk(moves, self.every)
        self.walked: list[int | None] = []

    def afresh(self) -> Sequences:
        """The same, of which nothing is walked yet."""
        made = copy(self)
        made.walked = []
        return made

    @property
    def done(self) -> int:
        """How many different ones were done without anything else in between."""
        size, wanted = self.length, set(self.every)
        windows = (tuple(self.walked[i : i + size]) for i in range(len(self.walked) - size + 1))
        return len(wanted.intersection(w for w in windows if None not in w))


def lasting(moves: Sequence[Move]) -> list[int]:
    """By number, each different move that waits for no timer and lies on a way from rest and back to it."""
    numbers = {m: n for n, m in reversed(list(enumerate(moves))) if m.letter.kind != "end"}
    inner = sorted(numbers.values())
    tour = closed_tour([_edge(moves[n]) for n in inner], 0)
    left_out = {inner[i] for i in tour.left_out}
    return [n for n in inner if n not in left_out]


def paths(
    moves: Sequence[Move], inner: Iterable[int], length: int, most: int = MOST
) -> list[tuple[int, ...]]:
    """Every `length` of these moves that can follow each other; empty where there are more than `most`."""
    after: dict[int, list[int]] = {}
    for n in inner:
        after.setdefault(moves[n].tail, []).append(n)
    found: list[tuple[int, ...]] = [(n,) for n in inner]
    for _ in range(length - 1):
        found = [(*path, n) for path in found for n in after.get(moves[path[-1]].head, ())]
        if len(found) > most:
            return []
    return found


def sequence_walk(moves: Sequence[Move], every: Sequence[tuple[int, ...]]) -> list[int]:
    """The shortest walk from rest that does each of `every` sequence, all of one length, at least once: the
    postman's again, where a place is what was done last. Its order has many that are longer by one. Moves by
    number."""
    nodes: dict[tuple[int, ...], int] = {}
    for path in every:
        for part in (path[:-1], path[1:]):
            nodes.setdefault(part, len(nodes))
    start = next((part for part in nodes if moves[part[0]].tail == 0), None)
    if start is None:
        return []
    edges = [Edge(nodes[path[:-1]], nodes[path[1:]], moves[path[-1]].cost_ms) for path in every]
    tour = closed_tour(edges, nodes[start])
    letters = [_pressed(moves[path[-1]]) for path in every]
    order = varied(edges, tour.order, letters, len(start) + 2)
    return [*start, *(every[i][-1] for i in order)]


def _pressed(move: Move) -> str | None:
    return move.letter.name if move.letter.kind in ("tap", "down") else None


def _edge(move: Move) -> Edge:
    return Edge(move.tail, move.head, move.cost_ms)
