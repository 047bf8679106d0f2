"""Key lamps and panel lighting."""

from __future__ import annotations

from collections.abc import Iterable

from bench.twin.channels import Channels
from bench.twin.operations import Operations
from bench.twin.tables import KeyRow, OperationRow, Tables

OFF, ON, FLASHING, NONE = 0, 1, 2, 3
_TRIPPED = {"flash": FLASHING, "on": ON, "off": OFF}


class Indicators:
    """Computes lamps and backlights; `of` tells which keys a channel touches."""

    def __init__(self, tables: Tables, channels: Channels, operations: Operations) -> None:
        self.tables, self.channels, self.operations = tables, channels, operations
        self.keys = {(k.node, k.key): k for k in tables.keys}
        self.of: dict[int, list[KeyRow]] = {}
        for key in tables.keys:
            if key.lamp:
                for c in self._members(key):
                    self.of.setdefault(c, []).append(key)
        self.lights: dict[int, set[str]] = {}
        for row in tables.backlights:
            for number in row.when:
                for c in tables.operation[number].members:
                    self.lights.setdefault(c, set()).add(row.node)

    def _operation(self, key: KeyRow) -> OperationRow | None:
        return self.tables.operation.get(key.lamp_operation or key.operation)

    def _members(self, key: KeyRow) -> tuple[int, ...]:
        op = self._operation(key)
        own = key.lamp.channels if key.lamp else ()
        return own or (op.members if op else ())

    def touched(self, channels: Iterable[int]) -> list[KeyRow]:
        """Keys whose lamp may differ when these channels changed."""
        found = {(k.node, k.key): k for c in channels for k in self.of.get(c, ())}
        return list(found.values())

    def lamp(self, key: KeyRow | None) -> int:
        """0 off, 1 on, 2 flashing, 3 no lamp."""
        if key is None or key.lamp is None:
            return NONE
        ch, row, members = self.channels, key.lamp, self._members(key)
        if row.tripped and any(ch.tripped[c] for c in members):
            return _TRIPPED[row.tripped]
        op = self._operation(key)
        if row.shows == "any":
            return int(any(ch.out[c] > 0.0 for c in members))
        if row.shows == "all":
            return int(bool(members) and all(ch.out[c] > 0.0 for c in members))
        if op is None:
            return OFF
        return int(self.operations.is_active(op) if row.shows == "active" else self._at(op, None))

    def _at(self, op: OperationRow, places: tuple[int, ...] | None) -> bool:
        """Does it stand at one of `places` (from 1; None: any row that is not empty)?"""
        if op.code == "step":
            place = self.operations.place_of(op)
            if place is None:
                return False
            return bool(op.rows[place]) if places is None else place + 1 in places
        if op.code == "preset":
            return self.operations.is_active(op)
        return any(self.channels.out[c] > 0.0 for c in op.members)

    def backlight(self, node: str) -> float:
        """Percent of the panel's lighting."""
        rows = [r for r in self.tables.backlights if r.node == node]
        for row in rows:
            if any(self._at(self.tables.operation[n], places) for n, places in row.when.items()):
                return row.percent
        return rows[0].otherwise if rows else 0.0
