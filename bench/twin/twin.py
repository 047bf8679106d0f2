"""The virtual box as the outside sees it: frames in and out, supply, seats and loads, and the truth."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from bench.core.errors import UsageError
from bench.core.frame import Frame
from bench.twin.bus import NEVER, Bus
from bench.twin.electrics import Electrics
from bench.twin.faults import Fault
from bench.twin.firmware import Firmware
from bench.twin.hearing import Hearing
from bench.twin.indicators import NONE as NO_LAMP
from bench.twin.quirks import Quirks
from bench.twin.tables import BoxRow, Tables


class Truth(NamedTuple):
    """What an output really does: percent and ampere."""

    percent: float
    amps: float


class Twin:
    """A boat's boxes. Instants are integer nanoseconds and never run backwards.

    `seed` fixes noise, latencies within their limits and the phases of cyclic frames; `faults` are
    Faults. `powered`: the boxes have been awake for a while; otherwise they are off.
    """

    def __init__(
        self,
        tables: Tables,
        *,
        seed: int = 0,
        faults: Sequence[Fault] = (),
        start_ns: int = 0,
        powered: bool = True,
    ) -> None:
        quirks = Quirks()
        for fault in faults:
            tables = fault.apply(tables, quirks)
        self.tables = tables
        rng = random.Random(f"twin {seed}")
        self._electrics = Electrics(tables, quirks, rng)
        self._bus = Bus(tables, quirks, self._electrics, rng)
        self._bus.start_ns = start_ns
        self._firmware = Firmware(tables, quirks, self._electrics, self._bus, rng)
        self._hearing = Hearing(tables, self._firmware)
        self._inert_task = not tables.boxes[0].task_ms
        self._now_ns = start_ns
        self._firmware.begin(start_ns, powered)

    # ---- the bus

    def receive(self, t_ns: int, can_id: int, data: bytes, extended: bool = True) -> None:
        """A frame, complete on the bus at `t_ns`, reaches the boxes."""
        self._advance(t_ns)
        self._bus.free_ns = t_ns
        self._hearing.receive(t_ns, can_id, data, extended)

    def next_due(self) -> int | None:
        """Next instant at which something happens by itself; None: never."""
        due = min(self._firmware.work_ns, self._bus.next_due)
        return None if due >= NEVER else max(due, self._now_ns)

    def run_until(self, t_ns: int) -> list[Frame]:
        """Frames put on the bus up to and including `t_ns` that no earlier call has given."""
        self._advance(t_ns)
        if self._inert_task and self._firmware.operations.dimming.holds:
            self._firmware.work(t_ns)
        out, self._bus.out = self._bus.out, []
        return out

    def _advance(self, t_ns: int) -> None:
        bus, firmware = self._bus, self._firmware
        while True:
            work_ns = firmware.work_ns
            bus.run(t_ns, work_ns)
            if work_ns > t_ns:
                break
            firmware.work(work_ns)
        if t_ns > self._now_ns:
            self._now_ns = t_ns

    # ---- the world around the boxes

    def supply(self, t_ns: int, box: str, on: bool) -> None:
        """Switch a box's supply."""
        self._advance(t_ns)
        self._box(box)
        self._firmware.supply(t_ns, box, on)
        self._advance(t_ns)

    def set_volts(self, t_ns: int, volts: float) -> None:
        """Open-circuit voltage of the supply from now on."""
        self._advance(t_ns)
        self._electrics.set_volts(volts)
        self._firmware.work(t_ns)
        self._advance(t_ns)

    def input(self, t_ns: int, box: str, number: int, value: int) -> None:
        """A physical input of a box changes; it is scanned and debounced."""
        self._advance(t_ns)
        row = next((i for i in self.tables.inputs if (i.box, i.number) == (box, number)), None)
        if row is None or row.source:
            raise UsageError(f"box {box!r} has no pin for input {number}")
        self._firmware.pin(t_ns, "pin", number, int(bool(value)))
        self._advance(t_ns)

    def overload(self, t_ns: int, box: str, channel: int, on: bool) -> None:
        """A channel's load draws three times what its fuse takes, or no longer."""
        self._advance(t_ns)
        c = self._channel(box, channel)
        self._electrics.set_overload(c, on)
        self._firmware.channels.touch(c)
        self._electrics.refresh(t_ns)
        self._firmware.work(t_ns)
        self._advance(t_ns)

    def by_hand(self, t_ns: int, box: str, channel: int, on: bool) -> None:
        """A circuit is worked by hand at the box, or no longer."""
        self._advance(t_ns)
        c = self._channel(box, channel)
        self._electrics.set_hand(c, on, t_ns)
        quirks = self._electrics.quirks
        sensed = self._box(box).hand_sensed or c in quirks.hand_noticed
        if sensed and c not in quirks.lock_deaf and (on or c not in quirks.hand_stuck):
            self._firmware.pin(t_ns, "hand", quirks.hand_crossed.get(c, c), int(on))
        self._advance(t_ns)

    # ---- the truth

    def truth(self, t_ns: int) -> Mapping[tuple[str, int], Truth]:
        """Per box and its own channel number: what the output really does."""
        self._advance(t_ns)
        el = self._electrics
        el.refresh(t_ns)
        return {
            (box.name, c - box.first + 1): Truth(el.percent(c), el.amps(c, t_ns))
            for box in self.tables.boxes
            for c in box.numbers
        }

    def lamps(self) -> Mapping[tuple[str, int], int]:
        """Per node and key: 0 off, 1 on, 2 flashing; keys without lamp left out."""
        lamp = self._firmware.indicators.lamp
        return {(k.node, k.key): lamp(k) for k in self.tables.keys if k.lamp}

    # ---- what a person sees, hears and reads

    def seen_lamp(self, node: str, key: int) -> int:
        """A key's lamp: 0 dark, 1 lit, 2 flashing."""
        shown = 0 if (node, key) in self._electrics.quirks.dark_lamps else self.lamp(node, key)
        return 0 if shown == NO_LAMP else shown

    def seen_lighting(self, node: str) -> float:
        """Percent of a panel's lighting."""
        return 0.0 if node in self._electrics.quirks.dark_panels else self.backlight(node)

    def sounded_ns(self, box: str, channel: int) -> int:
        """When a circuit's load last began to run, sound or shine; far in the past: never."""
        c = self._channel(box, channel)
        quirks = self._electrics.quirks
        if c in quirks.mute | quirks.open_load | quirks.weak:
            return -NEVER
        return self._electrics.strands[c].since_ns

    def serial(self, box: str) -> int:
        """The serial number on a box's label."""
        return self._box(box).serial

    def total_amps(self) -> float:
        """True current out of the supply now."""
        self._electrics.refresh(self._now_ns)
        return sum(self._electrics.amps(c, self._now_ns) for c in range(1, len(self._electrics.strands)))

    @property
    def volts(self) -> float:
        """True voltage at the boxes."""
        self._electrics.refresh(self._now_ns)
        return self._electrics.volts

    # ---- worked directly, without frames

    def press(self, t_ns: int, node: str, key: int) -> None:
        """A key goes down."""
        self._key(t_ns, node, key, True)

    def release(self, t_ns: int, node: str, key: int) -> None:
        """A key comes up."""
        self._key(t_ns, node, key, False)

    def _key(self, t_ns: int, node: str, key: int, down: bool) -> None:
        if all(n.name != node for n in self.tables.nodes):
            raise UsageError(f"no node {node!r}")
        self._advance(t_ns)
        self._firmware.key(t_ns, node, key, down)
        self._advance(t_ns)

    def sensor(self, t_ns: int, number: int, value: int) -> None:
        """A sensor input as a module's frame would tell it."""
        self._advance(t_ns)
        self._firmware.module_input(t_ns, number, int(bool(value)))
        self._advance(t_ns)

    def lost(self, t_ns: int, name: str, lost: bool = True) -> None:
        """A node, or `input N`, is taken as lost, or is back."""
        self._advance(t_ns)
        if lost:
            self._firmware.nodes.lose(name, t_ns)
        else:
            self._firmware.nodes.found(name)
        self._firmware.work(t_ns)

    def wake(self, t_ns: int, box: str | None = None) -> None:
        """A box (None: all) wakes at once."""
        self._advance(t_ns)
        self._firmware.wake_at_once(t_ns, box)

    def shed(self, t_ns: int, box: str, on: bool = True) -> None:
        """Supply low long enough, or back long enough."""
        self._advance(t_ns)
        self._box(box)
        self._firmware.shedding.order(box, on, t_ns)
        self._firmware.work(t_ns)

    def trip(self, t_ns: int, box: str, channel: int) -> None:
        """The electronic fuse of a channel opens (not in a seat that bypasses it)."""
        self._advance(t_ns)
        c = self._channel(box, channel)
        if not self._electrics.strands[c].hand:
            self._firmware.push(self._firmware.rhythm.tick(t_ns), t_ns, "trip", c)
        self._advance(t_ns)

    def output(self, channel: int) -> float:
        """Output in percent as the box knows it; running channel number."""
        return self._firmware.channels.out[channel]

    def true_output(self, channel: int) -> float:
        """Output in percent as it really is."""
        return self._electrics.percent(channel)

    def stored(self, channel: int) -> float:
        """Stored level in percent."""
        return self._firmware.channels.stored[channel]

    def fault(self, channel: int) -> int:
        """Fault code: 0 none, 1 tripped, 2 open load, 3 by hand."""
        return self._firmware.display.fault(channel)

    def lamp(self, node: str, key: int) -> int:
        """0 off, 1 on, 2 flashing, 3 none."""
        return self._firmware.indicators.lamp(self._firmware.indicators.keys.get((node, key)))

    def backlight(self, node: str) -> float:
        """Percent of a panel's lighting."""
        return self._firmware.indicators.backlight(node)

    def _box(self, name: str) -> BoxRow:
        row = next((b for b in self.tables.boxes if b.name == name), None)
        if row is None:
            raise UsageError(f"no box {name!r}")
        return row

    def _channel(self, box: str, channel: int) -> int:
        row = self._box(box)
        if not 1 <= channel <= row.channels:
            raise UsageError(f"box {box!r} has no channel {channel}")
        return row.first + channel - 1
