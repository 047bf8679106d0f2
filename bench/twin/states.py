"""A virtual box without frames and delays, which can be looked at, and put back into an earlier state."""

from __future__ import annotations

import copy
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import replace
from types import NoneType
from typing import Any, NamedTuple

from .dimming import DimHold, ramp_level, ramp_way
from .faults import Fault
from .inputs import Input
from .tables import Tables
from .twin import Twin

START_NS = 1_000_000_000_000
FIXED = {  # attributes that never change once a box is made, and those that are parts of their own here
    "channels": {
        *("tables", "quirks", "rows", "count", "hand_ignores", "shed_refuses"),
        *("force", "_inhibit_rows", "_follow_rows"),
    },
    "operations": {"tables", "channels", "rows", "dimming"},
    "dimming": {"channels", "ramp_tick_ns"},
    "nodes": {"_tables", "_channels", "_operations", "_take_input", "_rows", "_lost_ns"},
    "firmware": {
        *("tables", "quirks", "electrics", "bus", "rng", "channels", "operations", "indicators", "power"),
        *("logic", "display", "rhythm", "nodes", "shedding", "_wake_level", "_operation_of"),
    },
}
PASSING = {  # attributes by which nothing can be told once a box is at rest: instants gone by, and queues
    *("_dirty", "_changed", "_rules_due", "frozen", "foreign", "work_ns", "_queue", "_order", "_latest"),
    *("_waiting_press", "_cancelled", "_heard_at", "_last_press", "_places", "_changes", "_restart_ns"),
    *("low_since", "high_since", "boots", "reason"),  # its supply is never low but by order
}
TIMED = {"off_at", "pressed_at", "holds"}  # as seen from now
Saved = tuple[int, dict[str, dict[str, object]]]


class Look(NamedTuple):
    """What a box shows: of each channel output, state and fault; lamps; lighting."""

    channels: tuple[tuple[float, int], ...]
    lamps: tuple[int, ...]
    lights: tuple[float, ...]


def bare(tables: Tables) -> Tables:
    """The same box that reports nothing, needs no time for its work, and whose loads draw nothing."""
    boxes = tuple(
        replace(
            b, scan_ms=0, debounce_ms=0, task_ms=0, boot_ms=0, not_available_ms=0, shortest_press_ms=0,
            open_below_a=0,
        )
        for b in tables.boxes
    )  # fmt: skip
    channels = tuple(replace(c, load="resistive", amps=0.0, fuse_a=0.0) for c in tables.channels)
    return replace(tables, boxes=boxes, channels=channels, frames=())


class States:
    """The box, now at `now_ns`. Everything done to it is done at once. `never_lost`: nodes, and `input N`."""

    def __init__(
        self, tables: Tables, faults: Sequence[Fault] = (), never_lost: frozenset[str] = frozenset()
    ) -> None:
        self._never_lost = never_lost
        self.box = Twin(bare(tables), faults=faults, start_ns=START_NS)
        self.tables = self.box.tables
        self.now_ns = START_NS
        firmware = self.box._firmware
        self._parts: dict[str, Any] = {
            "channels": firmware.channels,
            "operations": firmware.operations,
            "dimming": firmware.operations.dimming,
            "nodes": firmware.nodes,
            "firmware": firmware,
            **{f"power {name}": power for name, power in firmware.power.items()},
        }
        self._keys = [(k.node, k.key) for k in self.tables.keys]
        self._nodes = [n.name for n in self.tables.nodes]

    def do(self, done: Input) -> None:
        """Does it, and lets everything come to rest."""
        for verb, args in done.does:
            if verb == "wait":
                self.now_ns += args[0]
                self.box.run_until(self.now_ns)
            elif verb != "lost" or args[0] not in self._never_lost:
                getattr(self.box, verb)(self.now_ns, *args)

    def look(self) -> Look:
        """What it shows now."""
        box = self.box
        return Look(
            tuple((round(box.output(c.number), 6), box.fault(c.number)) for c in self.tables.channels),
            tuple(box.lamp(*key) for key in self._keys),
            tuple(box.backlight(node) for node in self._nodes),
        )

    # ---- there and back

    def save(self) -> Saved:
        """All that can change."""
        return self.now_ns, {name: self._changing(name) for name in self._parts}

    def _changing(self, name: str) -> dict[str, object]:
        part = self._parts[name]
        if name.startswith("power "):
            return {a: getattr(part, a) for a in part.__slots__ if a != "row"}
        return {a: _copied(v) for a, v in vars(part).items() if a not in FIXED[name]}

    def restore(self, saved: Saved) -> None:
        """As it was when that was saved."""
        self.now_ns, parts = saved
        self.box._now_ns = self.now_ns
        for name, values in parts.items():
            for attribute, value in values.items():
                setattr(self._parts[name], attribute, _copied(value))
        for c, strand in enumerate(self.box._electrics.strands):
            strand.percent, strand.hand = self.box.output(c), self.box._firmware.channels.hand[c]

    def key(self) -> Hashable:
        """Equal for two states of one box that nothing done later can tell apart."""
        channels, operations = self._parts["channels"], self._parts["operations"]
        plain = {
            (name, a): _frozen(v)
            for name in self._parts
            for a, v in self._changing(name).items()
            if a not in PASSING and a not in TIMED
        }
        return (
            tuple(plain.values()),
            tuple(t and t - self.now_ns for t in channels.off_at),
            tuple(
                (n, t - self.now_ns)
                for n, t in operations.pressed_at.items()
                if operations.rows[n].restart_after_ms
            ),
            tuple((n, self._hold(n, h)) for n, h in sorted(operations.dimming.holds.items())),
        )

    def _hold(self, number: int, hold: DimHold) -> Hashable:
        """A held key that dims: how long still until it does, and where its ramps are."""
        channels, operation = self._parts["channels"], self._parts["operations"].rows[number]
        dims = {c: d for c in operation.channels if (d := channels.rows[c].dim)}
        longest_ns = int(max((d.hold_ms for d in dims.values()), default=0) * 1e6)
        ramps = tuple(
            (c, round(ramp_level(dims[c], r, self.now_ns), 6), ramp_way(dims[c], r, self.now_ns))
            for c, r in sorted(hold.ramps.items())
        )
        since_ns = min(self.now_ns - hold.since_ns, longest_ns)
        return hold.key, since_ns, hold.went_on, frozenset(hold.live), hold.clears, ramps


def _copied(value: object) -> object:
    """With copies of everything that can change in it. Raises: TypeError for what may be no value."""
    if isinstance(value, list):
        return [_copied(v) for v in value]
    if isinstance(value, set):
        return set(value)
    if isinstance(value, Mapping):
        return {k: _copied(v) for k, v in value.items()}
    if isinstance(value, DimHold):
        value = copy.copy(value)
        value.live, value.ramps = set(value.live), dict(value.ramps)
    elif not isinstance(value, (int, float, str, tuple, frozenset, NoneType)):
        raise TypeError(f"neither a value nor a part that is known not to change: {value!r}")
    return value


def _frozen(value: object) -> Hashable:
    if isinstance(value, list):
        return tuple(round(v, 6) if isinstance(v, float) else v for v in value)
    if isinstance(value, set):
        return frozenset(value)
    if isinstance(value, dict):
        return frozenset((k, _frozen(v)) for k, v in value.items() if v or not isinstance(v, set))
    assert isinstance(value, Hashable)
    return value
