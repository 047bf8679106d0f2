"""Panels, screens and sensors that fall silent, as the box must take it."""

from __future__ import annotations

from collections.abc import Iterator

from bench.core.event import LOST, Event
from bench.judge.rules import MS
from bench.spec.model import Spec


class LostNodes:
    """Watches the heartbeats of the nodes that the spec gives a `lost` rule."""

    def __init__(self, spec: Spec) -> None:
        self._after: dict[str, int] = {}
        for kind, nodes in (("panel", spec.panels), ("screen", spec.screens), ("sensor", spec.sensors)):
            for name, node in nodes.items():
                if node.lost is not None:
                    self._after[f"{kind} {name}"] = round(node.lost.after_ms * MS)
        self._last: dict[str, int] = {}
        self._gone: set[str] = set()
        self._back: list[Event] = []
        self._next = 1 << 62

    def heard(self, node: str, t_ns: int) -> None:
        """A frame of the node was on the bus."""
        if node in self._after:
            self._last[node] = t_ns
            if node in self._gone:
                self._gone.discard(node)
                self._back.append(Event(t_ns, LOST, node, 0))
            self._next = min(self._next, t_ns + self._after[node])

    def due(self, t_ns: int) -> Iterator[Event]:
        """Losses and returns up to `t_ns`."""
        while self._back:
            yield self._back.pop(0)
        if t_ns < self._next:
            return
        self._next = 1 << 62
        for node, last in self._last.items():
            if node in self._gone:
                continue
            at = last + self._after[node]
            if at <= t_ns:
                self._gone.add(node)
                yield Event(at, LOST, node, 1)
            else:
                self._next = min(self._next, at)
