"""Frames that reach the boxes, taken apart by the rows of `heard`."""

from __future__ import annotations

from bench.twin.firmware import Firmware
from bench.twin.tables import HeardRow, Tables


class Hearing:
    """Turns frames into key events, inputs and signs of life. Repeated counters are ignored."""

    def __init__(self, tables: Tables, firmware: Firmware) -> None:
        self._firmware = firmware
        self._rows = tables.heard
        self._nodes = {n.address: n.name for n in tables.nodes if n.address}
        self._addresses = {n.name: n.address for n in tables.nodes}
        self._inputs: dict[int, list[int]] = {}
        for row in tables.inputs:
            if row.source:
                self._inputs.setdefault(row.source, []).append(row.number)
        self._counters: dict[str, int] = {}
        self._boots = -1
        self._down: dict[str, set[int]] = {}

    def receive(self, t_ns: int, can_id: int, data: bytes, extended: bool) -> None:
        """A frame: not ours, too short or not understood is ignored, as a box does."""
        for row in self._rows:
            if can_id & row.mask == row.id & row.mask and row.standard != extended:
                if len(data) >= row.size:
                    self._take(t_ns, row, can_id & 0xFF, data)
                return

    def _take(self, t_ns: int, row: HeardRow, address: int, data: bytes) -> None:
        values = {name: _read(data, at, row.big) for name, at in row.places.items()}
        for name, codes in row.codes.items():
            values[name] = codes.get(values.get(name, -1), -1)
        node = row.node or self._nodes.get(address, "")
        if row.kind == "key" and node:
            self._key(t_ns, node, values)
        elif row.kind == "keys" and node:
            self._bits(t_ns, node, row, data, values.get("counter", 0))
        elif row.kind == "alive" and node:
            self._firmware.hear(t_ns, node)
        elif row.kind == "inputs":
            self._module(t_ns, row.source or address, values)
        elif row.kind == "wake":
            self._firmware.wake_message(t_ns)

    def _key(self, t_ns: int, node: str, values: dict[str, int]) -> None:
        firmware = self._firmware
        logic = firmware.logic
        if not logic.awake:
            return
        if self._boots != logic.boots:
            self._boots = logic.boots
            self._counters.clear()
        counter = values.get("counter", -1)
        repeated = counter >= 0 and self._counters.get(node) == counter
        self._counters[node] = counter
        firmware.hear(t_ns, node)
        if (repeated and logic.row.repeats == "ignored") or values.get("action") not in (0, 1):
            return
        ack = (self._addresses.get(node, 0), max(counter, 0))
        firmware.key(t_ns, node, values.get("key", 0), values["action"] == 1, ack)

    def _bits(self, t_ns: int, node: str, row: HeardRow, data: bytes, counter: int) -> None:
        """All keys of a node as bits: what differs from before is pressed or released."""
        firmware = self._firmware
        if not firmware.logic.awake:
            return
        firmware.hear(t_ns, node)
        down = {row.first_key + i for i, bit in enumerate(row.key_bits) if _bit(data, bit) == row.down}
        before = self._down.get(node, set())
        self._down[node] = down
        ack = (self._addresses.get(node, 0), counter)
        for key in sorted(before - down):
            firmware.key(t_ns, node, key, False, ack)
        for key in sorted(down - before):
            firmware.key(t_ns, node, key, True, ack)

    def _module(self, t_ns: int, source: int, values: dict[str, int]) -> None:
        firmware = self._firmware
        if not firmware.logic.powered:
            return
        for number in self._inputs.get(source, ()):
            value = values.get(f"input{number}", -1)
            if value in (0, 1):
                firmware.hear(t_ns, f"input {number}")
                firmware.module_input(t_ns, number, value)


def _bit(data: bytes, bit: int) -> int:
    return data[bit // 8] >> bit % 8 & 1


def _read(data: bytes, at: tuple[int, int], big: bool) -> int:
    bit, width = at
    if not big:
        return int.from_bytes(data, "little") >> bit & (1 << width) - 1
    top = bit // 8 * 8 + 7 - bit % 8
    return int.from_bytes(data, "big") >> 8 * len(data) - top - width & (1 << width) - 1
