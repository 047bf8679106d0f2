"""Which transitions of a machine are worth their time: all of them, but for waiting again and again."""

from __future__ import annotations

from collections.abc import Sequence

from .machine import Machine, Move
from .postman import Edge, costs_from

DEAR_MS, LONG_MS = 5_000, 45_000  # a timer is waited for twice, or once where it is long


def edges_of(moves: Sequence[Move]) -> list[Edge]:
    """The moves as edges, by the same numbers."""
    return [Edge(m.tail, m.head, m.cost_ms) for m in moves]


def worth(machine: Machine, moves: Sequence[Move]) -> tuple[list[Move], list[Move]]:
    """The moves to be done, and those left out. Each timer is waited for where it runs with as little, and
    with as much, on as can be; and of what only its end leads back from, the first is done."""
    ends: dict[str, list[Move]] = {}
    for move in moves:
        if move.letter.kind == "end":
            ends.setdefault(move.letter.name, []).append(move)
    gone: set[Move] = set()
    for found in ends.values():
        by_load = sorted(found, key=lambda m: (sum(machine.on(m.tail).values()), m.tail))
        kept = by_load[:1] if found[0].cost_ms > LONG_MS else [by_load[0], by_load[-1]]
        gone.update(m for m in found if m not in kept)
    if ends:
        gone.update(_dear([m for m in moves if m not in gone]))
    return [m for m in moves if m not in gone], [m for m in moves if m in gone]


def _dear(moves: Sequence[Move]) -> list[Move]:
    edges = edges_of(moves)
    back = {place: costs_from(edges, place) for place in {m.head for m in moves}}
    ms = {m: back[m.head].get(m.tail, 0) for m in moves if m.letter.kind != "end"}
    dear = [m for m in moves if ms.get(m, 0) > DEAR_MS]
    return dear[1 if any(ms[m] > LONG_MS for m in dear) else 2 :]
