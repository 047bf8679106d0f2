"""The shortest closed walk along every edge of a directed graph (the Chinese postman's), exactly.

Where more edges lead into a node than out of it, some must be walked again; which ones is a flow of least
cost (Edmonds and Johnson 1973), found by shortest paths one after the other with node potentials.
"""

from __future__ import annotations

import heapq
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import NamedTuple


class Edge(NamedTuple):
    """From node `tail` to node `head`; `cost` in whole milliseconds, not negative."""

    tail: int
    head: int
    cost: int


class Tour(NamedTuple):
    """`order`: edges by number as they are walked, from the start and back to it; `cost`: their sum.
    `left_out`: edges that no walk from the start takes and comes back from."""

    order: list[int]
    cost: int
    left_out: list[int]


def closed_tour(edges: Sequence[Edge], start: int) -> Tour:
    """A walk of least cost along every edge that can be walked and returned from; repeats what it must."""
    home = returnable(edges, start)
    inside = [n for n, e in enumerate(edges) if e.tail in home and e.head in home]
    times = dict.fromkeys(inside, 1)
    for number, count in _repeats(edges, inside).items():
        times[number] += count
    order = _euler(edges, times, start)
    cost = sum(edges[n].cost for n in order)
    return Tour(order, cost, [n for n in range(len(edges)) if n not in times])


def costs_from(edges: Sequence[Edge], start: int) -> dict[int, int]:
    """Least cost from `start` to every node that can be reached."""
    return _search(edges, start, None)[0]


def walk_to(edges: Sequence[Edge], start: int, targets: Collection[int]) -> list[int] | None:
    """Edges, by number, of the cheapest way to the nearest target; None where there is none."""
    _, via, end = _search(edges, start, targets)
    if end is None:
        return None
    path: list[int] = []
    while end != start:
        path.append(via[end])
        end = edges[via[end]].tail
    return path[::-1]


def returnable(edges: Iterable[Edge], start: int) -> set[int]:
    """Nodes that can be reached from `start`, and it from them."""
    arcs = [(e.tail, e.head) for e in edges]
    return _reached(arcs, start) & _reached([(b, a) for a, b in arcs], start)


def _search(
    edges: Sequence[Edge], start: int, targets: Collection[int] | None
) -> tuple[dict[int, int], dict[int, int], int | None]:
    out: dict[int, list[int]] = {}
    for number, edge in enumerate(edges):
        out.setdefault(edge.tail, []).append(number)
    cost, via = {start: 0}, dict[int, int]()
    queue = [(0, start)]
    while queue:
        so_far, node = heapq.heappop(queue)
        if targets is not None and node in targets:
            return cost, via, node
        if so_far > cost[node]:
            continue
        for number in out.get(node, ()):
            edge = edges[number]
            more = so_far + edge.cost
            if more < cost.get(edge.head, more + 1):
                cost[edge.head], via[edge.head] = more, number
                heapq.heappush(queue, (more, edge.head))
    return cost, via, None


def _reached(arcs: Iterable[tuple[int, int]], start: int) -> set[int]:
    out: dict[int, list[int]] = {}
    for tail, head in arcs:
        out.setdefault(tail, []).append(head)
    found, waiting = {start}, [start]
    while waiting:
        for node in out.get(waiting.pop(), ()):
            if node not in found:
                found.add(node)
                waiting.append(node)
    return found


class _Flow:
    """Units sent along the cheapest edges; what was sent may be taken back. `sent`: edge -> units."""

    def __init__(self, edges: Sequence[Edge], inside: Sequence[int]) -> None:
        self._edges = edges
        cheapest: dict[tuple[int, int], int] = {}
        for n in inside:
            tail, head, cost = edges[n]
            if tail != head and cost < edges[cheapest.setdefault((tail, head), n)].cost:
                cheapest[tail, head] = n
        self._out: dict[int, list[int]] = {edges[n].tail: [] for n in inside}
        self._back: dict[int, list[int]] = {edges[n].head: [] for n in inside}
        for n in cheapest.values():
            self._out[edges[n].tail].append(n)
            self._back[edges[n].head].append(n)
        self.sent: dict[int, int] = {}
        self._potential = dict.fromkeys(self._out, 0)

    def _arcs(self, node: int) -> Iterable[tuple[int, int, int, bool]]:
        """Number, where to, reduced cost, whether it takes back."""
        here = self._potential[node]
        for n in self._out[node]:
            head, cost = self._edges[n].head, self._edges[n].cost
            yield n, head, cost + here - self._potential[head], False
        for n in self._back[node]:
            if self.sent.get(n):
                tail, cost = self._edges[n].tail, self._edges[n].cost
                yield n, tail, here - self._potential[tail] - cost, True

    def send(self, surplus: dict[int, int]) -> bool:
        """As many units as can go along one cheapest path from a node with more to one with less than it
        should have; False when all is balanced."""
        sources = [node for node, units in surplus.items() if units > 0]
        if not sources:
            return False
        cost = dict.fromkeys(sources, 0)
        via: dict[int, tuple[int, int, bool]] = {}
        queue, done = [(0, node) for node in sources], set[int]()
        end = sources[0]
        while queue:
            so_far, node = heapq.heappop(queue)
            if node in done:
                continue
            done.add(node)
            if surplus.get(node, 0) < 0:
                end = node
                break
            for n, to, more, back in self._arcs(node):
                if so_far + more < cost.get(to, so_far + more + 1):
                    cost[to], via[to] = so_far + more, (node, n, back)
                    heapq.heappush(queue, (so_far + more, to))
        far = cost[end]
        for node in self._potential:
            self._potential[node] += min(cost.get(node, far), far)
        self._move(surplus, via, end)
        return True

    def _move(self, surplus: dict[int, int], via: Mapping[int, tuple[int, int, bool]], end: int) -> None:
        path, node, units = [], end, -surplus[end]
        while node in via:
            node, n, back = via[node]
            path.append((n, back))
            if back:
                units = min(units, self.sent[n])
        units = min(units, surplus[node])
        for n, back in path:
            self.sent[n] = self.sent.get(n, 0) + (-units if back else units)
        surplus[node] -= units
        surplus[end] += units


def _repeats(edges: Sequence[Edge], inside: Sequence[int]) -> dict[int, int]:
    """Edge -> how often it is walked beyond once."""
    surplus: dict[int, int] = {}
    for n in inside:
        surplus[edges[n].head] = surplus.get(edges[n].head, 0) + 1
        surplus[edges[n].tail] = surplus.get(edges[n].tail, 0) - 1
    flow = _Flow(edges, inside)
    while flow.send(surplus):
        pass
    return {n: units for n, units in flow.sent.items() if units}


def _euler(edges: Sequence[Edge], times: Mapping[int, int], start: int) -> list[int]:
    """One closed walk along every edge as often as said (Hierholzer), where free in their order."""
    out: dict[int, list[int]] = {}
    for n in sorted(times, reverse=True):
        out.setdefault(edges[n].tail, [])[:0] = [n] * (times[n] - 1)  # again only after all else
        out[edges[n].tail].append(n)
    stack: list[tuple[int, int]] = [(start, -1)]
    order: list[int] = []
    while stack:
        node, came = stack[-1]
        left = out.get(node)
        if left:
            n = left.pop()
            stack.append((edges[n].head, n))
        else:
            stack.pop()
            if came >= 0:
                order.append(came)
    return order[::-1]
