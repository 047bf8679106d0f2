"""What one cluster needs of the spec, turned into numbers and slots once, before any event.

A product (one possible state) is a flat tuple. For a cluster of n circuits, circuit c has the slots
c + k * n with k from the list below; then come counters, their timers, holds, keys, sensors, boxes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from bench.spec.model import Circuit, Function, Lost, Spec

from .levels import Levels, exactly, levels

_LEVEL, TIMER, TRIP, HAND, MEMORY, DIRECTION, RAMP, SAVED = range(8)
MS, S = 1_000_000, 1_000_000_000


@dataclass(slots=True)
class DimTable:
    """Dimming of one circuit: levels in percent, speeds in percent per second."""

    min_pct: float
    slow: float
    fast: float
    remembers: bool
    survives: bool
    scene_changes: bool
    alternates: bool
    turns: bool


@dataclass(slots=True)
class FunctionTable:
    """A function as far as it concerns this cluster; members are circuit numbers of the cluster."""

    name: str
    kind: str
    number: int
    members: tuple[int, ...]
    masks: tuple[int, ...] = ()  # positions as bits of circuits
    levels: tuple[Levels, ...] = ()  # scene: preset of each member
    all_on: bool = False
    reapply: bool = False
    counter: int = -1  # slot of the counted position
    counter_timer: int = -1
    after_ns: int = 0
    reset_at_wake: bool = False
    hold: int = -1  # slot of the dimming hold
    hold_ns: int = 0
    keys: list[int] = field(default_factory=list)
    single: bool = False  # the function has one circuit in all
    whole: bool = True  # every circuit of the function is in this cluster


@dataclass(slots=True)
class ControlTable:
    """A control as far as it concerns this cluster."""

    name: str
    function: FunctionTable
    key: int  # slot of "is held", -1 where nothing depends on it
    box: int  # slot of "the box of its panel is awake"
    lost: Lost | None
    shortest_ns: int
    scan_ns: int

    @property
    def feels_loss(self) -> bool:
        """Whether the loss of its panel or screen can change anything here."""
        if self.lost is None:
            return False
        return self.key >= 0 or self.shortest_ns > 0 or self.lost.others == "off"


class ClusterTable:
    """Everything the step needs about one cluster, by number. Built once, read only."""

    __slots__ = (
        "auto", "box_names", "boxes", "by_wake", "circuits", "controls", "counter_reset", "counters",
        "dark_waker", "dims", "due_slots", "follows", "forced_by", "functions", "hand_ignores", "has_trip",
        "hold_functions", "holds_of", "inhibit_mask", "inhibited_by", "many_boxes", "momentary_keys", "n",
        "names", "nodes", "number", "overflow", "pending", "possible", "resets", "respond_ns", "restores",
        "retained", "rule_mask", "sensed", "sensor_lost", "sensor_names", "sensors", "shed_mask",
        "shed_refuses", "shed_slot", "simple", "size", "trip_cleared", "undo", "wake_level",
    )  # fmt: skip

    def __init__(
        self, spec: Spec, number: int, names: tuple[str, ...], written: Mapping[str, tuple[str, ...]]
    ) -> None:
        """`written`: function -> the circuits it may write."""
        self.number, self.names, self.n = number, names, len(names)
        self.circuits = tuple(spec.circuits[name] for name in names)
        at = {name: i for i, name in enumerate(names)}
        self.size = 8 * self.n
        self._take_circuits(spec)
        self._take_functions(spec, at, written)
        self._take_controls(spec)
        self._take_sensors(spec, at)
        self._take_boxes(spec)
        self._take_rules(spec, at)
        self.pending, self.undo, self.overflow = self._slot(), self._slot(), self._slot()
        self.due_slots = bool(
            any(self.auto)
            or self.hold_functions
            or any(f.counter_timer >= 0 for f in self.counters)
            or any(c.shortest_ns for c in self.controls.values())
        )

    def _slot(self) -> int:
        self.size += 1
        return self.size - 1

    def _take_circuits(self, spec: Spec) -> None:
        boxes = [spec.boxes[c.box] for c in self.circuits]
        self.sensed = [b.by_hand.sensed == "flag" for b in boxes]
        self.hand_ignores = [b.by_hand.sensed == "flag" and b.by_hand.presses == "ignored" for b in boxes]
        self.has_trip = [c.trip is not None for c in self.circuits]
        self.resets = [c.trip.reset if c.trip else frozenset() for c in self.circuits]
        self.trip_cleared = [
            c.trip is not None and (b.trip_at_wake == "cleared" or "wake" in c.trip.reset)
            for c, b in zip(self.circuits, boxes, strict=True)
        ]
        self.respond_ns = [round(b.respond_ms * MS) for b in boxes]
        self.retained = [b.wake.others == "retained" for b in boxes]
        self.dark_waker = [b.wake.by == "supply" for b in boxes]
        self.auto = [_auto_off(c) for c in self.circuits]
        self.dims = [_dim(c) for c in self.circuits]
        self.wake_level = [_wake_level(spec, name) for name in self.names]
        self.possible = [_possible(spec, c) for c in self.circuits]

    def _take_functions(self, spec: Spec, at: dict[str, int], written: Mapping[str, tuple[str, ...]]) -> None:
        self.functions: dict[str, FunctionTable] = {}
        self.hold_functions: list[FunctionTable] = []
        self.holds_of: list[list[FunctionTable]] = [[] for _ in self.names]
        self.counters: list[FunctionTable] = []
        self.counter_reset: list[list[FunctionTable]] = [[] for _ in self.names]
        for name, circuits in written.items():
            if at.keys().isdisjoint(circuits):
                continue
            function, mine = spec.functions[name], [c for c in circuits if c in at]
            table = self._function(function, mine, at)
            self.functions[function.name] = table
            self._take_hold(spec, function, table)
            if function.kind == "cycle" and function.position == "counter":
                self._take_counter(function, table)

    def _function(self, function: Function, mine: list[str], at: dict[str, int]) -> FunctionTable:
        return FunctionTable(
            name=function.name,
            kind=function.kind,
            number=len(self.functions),
            members=tuple(at[name] for name in mine),
            masks=tuple(sum(1 << at[name] for name in set(p)) for p in function.positions),
            levels=tuple(exactly(function.presets[name]) for name in mine) if function.presets else (),
            all_on=function.part_on == "all_on",
            reapply=function.again == "reapply",
            single=len(function.circuits) == 1,
            whole=len(mine) == len(function.circuits),
        )

    def _take_hold(self, spec: Spec, function: Function, table: FunctionTable) -> None:
        dimming = [c for c in table.members if self.dims[c] is not None]
        dims = function.kind == "toggle" or (function.kind == "group" and function.dim_together)
        if not dimming or not dims:
            return
        table.hold = self._slot()
        dim = self.circuits[dimming[0]].dim
        assert dim is not None
        table.hold_ns = round(dim.hold_ms * MS)
        self.hold_functions.append(table)
        for c in dimming:
            self.holds_of[c].append(table)

    def _take_counter(self, function: Function, table: FunctionTable) -> None:
        table.counter = self._slot()
        self.counters.append(table)
        if function.reset is None:
            return
        table.reset_at_wake = "wake" in function.reset.on
        if "any_member_changed" in function.reset.on:
            for c in table.members:
                self.counter_reset[c].append(table)
        if function.reset.after_s is not None:
            table.counter_timer = self._slot()
            table.after_ns = round(function.reset.after_s * S)

    def _take_controls(self, spec: Spec) -> None:
        self.box_names: list[str] = list(dict.fromkeys(c.box for c in self.circuits))
        self.controls: dict[str, ControlTable] = {}
        self.nodes: dict[str, list[ControlTable]] = {}
        self.momentary_keys: list[list[int]] = [[] for _ in self.names]
        for control in spec.controls.values():
            function = self.functions.get(control.function)
            if function is None:
                continue
            node = (spec.panels if control.kind == "panel" else spec.screens)[control.node]
            box = spec.boxes[node.box]
            if node.box not in self.box_names:
                self.box_names.append(node.box)
            key = -1
            if function.kind == "momentary" or function.hold >= 0:
                key = self._slot()
                function.keys.append(key)
            if function.kind == "momentary":
                self.momentary_keys[function.members[0]].append(key)
            made = ControlTable(
                control.name, function, key, self.box_names.index(node.box), node.lost,
                round(box.shortest_press_ms * MS), round(box.timing_ms.scan * MS),
            )  # fmt: skip
            self.controls[control.name] = made
            self.nodes.setdefault(f"{control.kind} {control.node}", []).append(made)

    def _take_sensors(self, spec: Spec, at: dict[str, int]) -> None:
        """`forced_by[c]`: rows of (sensor slot, lost slot, what it reads when lost, ignores, passes)."""
        names = list(dict.fromkeys(f.sensor for f in spec.forces if f.circuit in at))
        self.sensor_names = names
        self.sensors = {name: self._slot() for name in names}
        self.sensor_lost = {name: self._slot() for name in names}
        self.forced_by: list[list[tuple[int, int, int, bool, bool]]] = [[] for _ in self.names]
        for force in spec.forces:
            if force.circuit in at:
                lost = spec.sensors[force.sensor].lost
                reads = {"hold": -1, "rest": 0, "active": 1}[lost.sensor if lost else "hold"]
                self.forced_by[at[force.circuit]].append(
                    (
                        self.sensors[force.sensor], self.sensor_lost[force.sensor], reads,
                        force.presses == "ignored", force.over_inhibit == "passes",
                    )
                )  # fmt: skip

    def _take_boxes(self, spec: Spec) -> None:
        first = self.size
        self.size += 2 * len(self.box_names)
        self.many_boxes = len(self.box_names) > 1
        self.boxes = {name: first + i for i, name in enumerate(self.box_names)}
        self.shed_slot = {name: first + len(self.box_names) + i for i, name in enumerate(self.box_names)}
        for control in self.controls.values():
            control.box = self.boxes[self.box_names[control.box]]
        self.by_wake = [self.boxes[c.box] for c in self.circuits]
        self.shed_mask, self.shed_refuses, self.restores = [], [], []
        for c in self.circuits:
            limits = spec.boxes[c.box].supply
            sheds = limits is not None and c.name in limits.sheds
            self.shed_mask.append(sheds)
            refuses = sheds and limits is not None and limits.presses == "refused"
            self.shed_refuses.append(self.shed_slot[c.box] if refuses else -1)
            self.restores.append(bool(sheds and limits is not None and limits.restores))

    def _take_rules(self, spec: Spec, at: dict[str, int]) -> None:
        """Follow and inhibit, each with the bits of circuits whose change may move it."""
        self.inhibited_by: list[list[tuple[tuple[int, ...], bool]]] = [[] for _ in self.names]
        for rule in spec.inhibits:
            if rule.circuit in at:
                sources = tuple(at[s] for s in rule.sources)
                self.inhibited_by[at[rule.circuit]].append((sources, rule.sees == "output"))
        reach = [_reach(self, c, set()) for c in range(self.n)]
        self.inhibit_mask = [
            (c, sum(1 << s for s in {x for sources, _ in rows for s in sources for x in reach[s]}))
            for c, rows in enumerate(self.inhibited_by)
            if rows
        ]
        self.follows = [
            (
                at[rule.circuit], tuple(at[s] for s in rule.sources),
                rule.sees == "output", rule.release == "drop",
                sum(1 << x for x in {x for s in rule.sources for x in reach[at[s]]}),
            )
            for rule in spec.follows
            if rule.circuit in at
        ]  # fmt: skip
        self.rule_mask = 0
        for _, mask in self.inhibit_mask:
            self.rule_mask |= mask
        for row in self.follows:
            self.rule_mask |= row[4]
        self.simple = [not self.has_trip[c] and not self.forced_by[c] for c in range(self.n)]


def _reach(table: ClusterTable, c: int, seen: set[int]) -> set[int]:
    """Circuits on which the output of `c` depends: itself, and inhibitors where a force yields to them."""
    if c in seen:
        return seen
    seen.add(c)
    if any(not passes for *_, passes in table.forced_by[c]):
        for sources, _ in table.inhibited_by[c]:
            for s in sources:
                _reach(table, s, seen)
    return seen


def _auto_off(circuit: Circuit) -> tuple[int, int] | None:
    """Earliest and latest end of the timer after its start, in ns."""
    auto = circuit.auto_off
    if auto is None:
        return None
    return round((auto.after_s - auto.tolerance_s) * S), round((auto.after_s + auto.tolerance_s) * S)


def _dim(circuit: Circuit) -> DimTable | None:
    dim = circuit.dim
    if dim is None:
        return None
    speed = (100.0 - dim.min_pct) / dim.range_s
    spread = dim.range_tol_pct / 100.0
    return DimTable(
        min_pct=dim.min_pct,
        slow=speed / (1.0 + spread),
        fast=speed / (1.0 - spread),
        remembers=dim.memory != "none",
        survives=dim.memory == "kept_through_supply_loss",
        scene_changes=dim.memory_by_scene == "changed",
        alternates=dim.direction == "alternate",
        turns=dim.at_end == "turn",
    )


def _wake_level(spec: Spec, name: str) -> Levels | None:
    """The level at wake-up of a circuit named for it, None for the others."""
    found = None
    for wake in spec.wakes:
        if name in wake.circuits:
            found = exactly(wake.level_pct)
    return found


def _possible(spec: Spec, circuit: Circuit) -> Levels:
    """Every level the box may hold stored for the circuit."""
    points = {0.0, 100.0}
    points.update(f.presets[circuit.name] for f in spec.functions.values() if circuit.name in f.presets)
    points.update(w.level_pct for w in spec.wakes if circuit.name in w.circuits)
    parts = [(p, p) for p in points]
    if circuit.dim is not None:
        parts.append((circuit.dim.min_pct, 100.0))
    return levels(parts)
