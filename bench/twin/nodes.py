"""Panels, screens and sensor modules as the box hears them, and what it does when one is lost."""

from __future__ import annotations

from collections.abc import Callable

from bench.twin.bus import NEVER
from bench.twin.channels import Channels
from bench.twin.operations import Operations
from bench.twin.power import MS
from bench.twin.tables import NodeRow, Tables


class Nodes:
    """Names are those of nodes, or `input N`. `take_input(number, value, now_ns)`: an input has a value."""

    def __init__(
        self,
        tables: Tables,
        channels: Channels,
        operations: Operations,
        take_input: Callable[[int, int, int], None],
    ) -> None:
        self._tables, self._channels, self._operations = tables, channels, operations
        self._take_input = take_input
        self._rows = {n.name: n for n in tables.nodes}
        self._lost: set[str] = set()
        self._heard_at: dict[str, int] = {}
        self._lost_ns = {n.name: int(n.lost_ms * MS) or NEVER for n in tables.nodes}
        self._lost_ns |= {f"input {i.number}": int(i.lost_ms * MS) or NEVER for i in tables.inputs}

    def hear(self, t_ns: int, name: str) -> int:
        """Something of it was heard, which brings it back. Gives when it may be lost, or `NEVER` where that
        is minded already."""
        first = name not in self._heard_at
        self._heard_at[name] = t_ns
        self._lost.discard(name)
        return t_ns + self._lost_ns[name] if first else NEVER

    def forget(self) -> None:
        """The box has booted and has heard nobody yet."""
        self._heard_at.clear()
        self._lost.clear()

    def mind(self, now_ns: int) -> None:
        """Those that have been silent for too long are lost."""
        for name, heard in self._heard_at.items():
            if name not in self._lost and now_ns >= heard + self._lost_ns[name]:
                self.lose(name, now_ns)

    def next_due(self, now_ns: int) -> int:
        """When the next is lost, or `NEVER`."""
        due = NEVER
        for name, heard in self._heard_at.items():
            if name not in self._lost:
                due = min(due, max(heard + self._lost_ns[name], now_ns + 1))
        return due

    def lose(self, name: str, now_ns: int) -> None:
        """A panel, screen or sensor is taken as lost."""
        if name in self._lost:
            return
        self._lost.add(name)
        if (row := self._rows.get(name)) is not None:
            self._lose_keys(row, now_ns)
        for entry in self._tables.inputs:
            if name == f"input {entry.number}" and entry.on_lost != "hold":
                self._take_input(entry.number, int(entry.on_lost == "active"), now_ns)
        self._channels.settle(now_ns)
        self._operations.spend(now_ns)

    def found(self, name: str) -> None:
        """It is back: keys that are down are spent until released."""
        self._lost.discard(name)

    def _lose_keys(self, row: NodeRow, now_ns: int) -> None:
        dimming = self._operations.dimming
        dimming.advance(now_ns, now_ns)
        if row.held == "release":
            self._operations.release_node(row.name, now_ns)
        kept = dimming.freeze_node(row.name, now_ns) if row.dim == "freeze" else set()
        kept |= self._operations.held_up(row.name)
        if row.others == "off":
            for key in self._tables.keys:
                op = self._tables.operation.get(key.operation)
                if key.node == row.name and op and op.code != "while_held":
                    for c in op.members:
                        if c not in kept:
                            self._channels.zero(c, now_ns)
