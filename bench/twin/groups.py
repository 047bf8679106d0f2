"""Which channels hang together by the tables: one key works them, or a rule ties them."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from .tables import OperationRow, Tables

SHARED = ("preset", "off", "on")  # reach into several groups and tie none


def groups(tables: Tables) -> dict[int, int]:
    """Channel -> the lowest channel of its group."""
    leader = {c.number: c.number for c in tables.channels}

    def top(c: int) -> int:
        while leader.setdefault(c, c) != c:
            c = leader[c]
        return c

    for tied in _ties(tables):
        tops = sorted({top(c) for c in tied})
        for other in tops[1:]:
            leader[other] = tops[0]
    return {c: top(c) for c in leader}


def _ties(tables: Tables) -> Iterable[tuple[int, ...]]:
    yield from (o.members for o in tables.operations if o.code not in SHARED)
    yield from ((f.channel, *f.sources) for f in tables.follows)
    yield from ((i.channel, *i.sources) for i in tables.inhibits)
    by_input: dict[int, tuple[int, ...]] = {}
    for force in tables.forces:
        by_input[force.input] = (*by_input.get(force.input, ()), force.channel)
    yield from by_input.values()


def within(channels: Iterable[int], *every: Tables) -> frozenset[int]:
    """The channels and all that hang together with them by any of these tables."""
    found = set(channels)
    while True:
        more = {c for t in every for c in _same(groups(t), found)}
        if more <= found:
            return frozenset(found)
        found |= more


def _same(leader: dict[int, int], channels: Collection[int]) -> set[int]:
    wanted = {leader.get(c, c) for c in channels}
    return {c for c, top in leader.items() if top in wanted}


def own_operations(tables: Tables, operation: OperationRow) -> frozenset[int]:
    """Operations that work the same group as this one, and nothing else."""
    mine = within(operation.members, tables)
    return frozenset(o.number for o in tables.operations if o.members and mine.issuperset(o.members))
