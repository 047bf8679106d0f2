"""What a box drives and shows: outputs, reports of channels, lamps and lighting."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from bench.twin.bus import Bus
from bench.twin.channels import Channels
from bench.twin.electrics import Electrics
from bench.twin.indicators import NONE, Indicators
from bench.twin.power import MS, Power
from bench.twin.tables import BoxRow

FAULT_TRIPPED, FAULT_OPEN, FAULT_HAND = 1, 2, 3


class Display:
    """Puts what changed into the frames. `push` queues what a defect makes late."""

    def __init__(
        self,
        channels: Channels,
        indicators: Indicators,
        electrics: Electrics,
        bus: Bus,
        power: Mapping[str, Power],
        push: Callable[..., int],
    ) -> None:
        self.channels, self.indicators, self.electrics, self.bus = channels, indicators, electrics, bus
        self.power, self.push = power, push
        self.tables, self.quirks = channels.tables, channels.quirks
        self.lamps_shown: set[tuple[str, int]] = set()
        self._box_of = {c: b for b in self.tables.boxes for c in b.numbers}
        self._nodes = {n.name: n for n in self.tables.nodes}
        self._leveled = {c for o in self.tables.operations for c in o.levels}  # lamps look at their levels
        self._pattern: dict[int, tuple[bool, bool, bool, bool]] = {}

    def publish(self, changed: set[int], now_ns: int, awake: bool) -> None:
        """Channels that changed: drive their outputs, report them, light what depends on them."""
        quirks, ch = self.quirks, self.channels
        for c in sorted(changed):
            strand = self.electrics.strands[c]
            if strand.percent != ch.out[c] and not (ch.hand[c] and strand.hand):
                self.electrics.drive(c, self._driven(c), now_ns)
                if c in quirks.chatter and ch.out[c] > 0.0:
                    self.push(now_ns + 300 * MS, now_ns, "chatter", c)
            if c in quirks.stale_report_ms:
                self.push(now_ns + int(quirks.stale_report_ms[c] * MS), now_ns, "report", c)
            else:
                self.report(c, now_ns)
        if awake:
            self.light({c for c in changed if self._moved(c)}, now_ns)
        else:
            for c in changed:
                self._pattern.pop(c, None)
        if self.electrics.watched:
            self.electrics.refresh(now_ns)

    def _moved(self, c: int) -> bool:
        """May lamps see a difference? A mere level matters only to scenes."""
        ch = self.channels
        pattern = (ch.out[c] > 0.0, ch.stored[c] > 0.0, ch.tripped[c], ch.locked(c))
        if pattern == self._pattern.get(c) and c not in self._leveled:
            return False
        self._pattern[c] = pattern
        return True

    def _driven(self, c: int) -> float:
        return 0.0 if self.channels.dead[c] else self.channels.out[c]

    def report(self, c: int, now_ns: int) -> None:
        """State, level and fault of a channel as they go into frames."""
        ch, box, show = self.channels, self._box_of[c], self.bus.show
        power, own = self.power[box.name], c - box.first + 1
        hidden = bool(power.unavailable_until)
        out = ch.out[c]
        state = 2 if ch.tripped[c] and not ch.hand[c] else int(out > 0.0)
        missing = self.quirks.unavailable
        show(("state", box.name, own), None if hidden or ("state", c) in missing else state, now_ns)
        show(("level", box.name, own), None if hidden or ("level", c) in missing else out, now_ns)
        show(("fault", box.name, own), self.fault(c), now_ns)

    def fault(self, c: int) -> int:
        """What the box says is wrong with a channel."""
        ch = self.channels
        if ch.hand[c]:
            return FAULT_HAND
        if ch.tripped[c]:
            return FAULT_TRIPPED
        if c in self.quirks.flagged and ch.out[c] > 0.0:
            return self.quirks.flagged[c]
        below = self._box_of[c].open_below_a
        return FAULT_OPEN if below and ch.out[c] > 0.0 and self.electrics.looks_open(c, below) else 0

    def light(self, changed: Iterable[int], now_ns: int) -> None:
        """Lamps and lighting that look at these channels."""
        for key in self.indicators.touched(changed):
            name = (key.node, key.key)
            if name in self.quirks.stale_lamps and name in self.lamps_shown:
                continue
            self.lamps_shown.add(name)
            self.bus.show(("lamp", key.node, key.key), self.indicators.lamp(key), now_ns)
        for node in {n for c in changed for n in self.indicators.lights.get(c, ())}:
            row = self._nodes[node]
            for power in self.power.values():
                subject = ("backlight", power.row.name, row.number)
                self.bus.show(subject, self.indicators.backlight(node), now_ns)

    def show_all(self, row: BoxRow, now_ns: int) -> None:
        """Everything but the channels, at a wake-up."""
        for key in self.tables.keys:
            lamp = self.indicators.lamp(key)
            self.bus.show(("lamp", key.node, key.key), None if lamp == NONE else lamp, now_ns)
        for node in self.tables.nodes:
            if any(r.node == node.name for r in self.tables.backlights):
                subject = ("backlight", row.name, node.number)
                self.bus.show(subject, self.indicators.backlight(node.name), now_ns)
        for entry in self.tables.inputs:
            if entry.box == row.name:
                self.bus.show(("input", row.name, entry.number), self.channels.inputs[entry.number], now_ns)
