"""Panels, screens and sensors that fall silent: what is held, dimmed, on or forced then; and their return."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from bench.spec.model import ControlNode, Function, Lost, Sensor, Spec

from .act import Act, Job, Script
from .desk import Desk
from .pace import SIGNAL_MS
from .silence import nodes

LOST = "lost"  # tag of what it covers
LOSS = "loss of a panel, screen or sensor"  # titles of what a plan does not test
HELD, MORE_HELD = "keys held as their panel is lost", "more keys held as their panel is lost"
DIMMED = "dimmers held as their panel is lost"
RAMP_SHARE = 0.8  # of a ramp that may be over when the key's panel is lost
RAMP_MS = 400.0  # of a ramp that must be over then


@dataclass(frozen=True)
class Held:
    """What is tried of a panel or screen: one key of each kind, as control and function."""

    node: ControlNode
    lost: Lost
    momentary: tuple[str, Function] | None
    dims: tuple[str, Function] | None
    other: tuple[str, Function] | None

    @property
    def circuits(self) -> tuple[str, ...]:
        """Circuits of these keys."""
        return tuple(
            c for found in (self.momentary, self.dims, self.other) if found for c in found[1].circuits
        )


def lost_jobs(desk: Desk, waiting: Collection[int], rank: int, *, late: int) -> Iterator[Job]:
    """One silence of each panel, screen and sensor module. `waiting`: clusters in which timers are waited
    for. `late`: the rank of those that are long in the way of others."""
    for box in desk.spec.boxes:
        sensors = [s for s in desk.spec.sensors.values() if s.box == box and s.lost is not None]
        forced = [f.circuit for f in desk.spec.forces if f.sensor in {s.name for s in sensors}]
        if forced and not _is_crowded(desk, sensors, forced):
            script = partial(_sensors, desk, f"sensors {box}", sensors)
            clusters = desk.clusters(forced)
            is_late = not clusters.isdisjoint(waiting)
            yield Job(f"{LOST} sensors {box}", clusters, script, late if is_late else rank, uncut=True)
    for node in nodes(desk.spec):
        held = _held(desk, node, waiting)
        if held is not None and held.circuits:
            clusters, script = desk.clusters(held.circuits), partial(_panel, desk, held)
            if held.lost.others == "off":
                clusters |= desk.sim.silences.keyed(_name(node))
            is_late = held.lost.others == "off" or not clusters.isdisjoint(waiting)
            yield Job(f"{LOST} {_name(node)}", clusters, script, late if is_late else rank, uncut=True)


def _is_crowded(desk: Desk, sensors: Collection[Sensor], forced: Collection[str]) -> bool:
    """Whether several of them are lost at once for one cluster of a box that waits for presses to last, and
    then promises no order."""
    waits = any(desk.spec.boxes[desk.spec.circuits[c].box].shortest_press_ms for c in forced)
    reached = [
        k for s in sensors for k in desk.clusters(f.circuit for f in desk.spec.forces if f.sensor == s.name)
    ]
    return waits and len(reached) > len(set(reached))


def _name(node: ControlNode) -> str:
    return f"{node.kind} {node.name}"


def not_lost(spec: Spec, tags: Collection[str]) -> Iterator[tuple[str, str]]:
    """What of losses a plan with these tags does not cover, and why."""
    every = [_name(n) for n in nodes(spec) if n.lost is not None]
    every += [f"sensor {s.name}" for s in spec.sensors.values() if s.lost is not None]
    left = [name for name in every if not _has(tags, f"{LOST} {name} ")]
    if left:
        yield LOSS, f"not part of this plan: {', '.join(left)}"
    alone, others = list[str](), list[str]()
    for node in nodes(spec):
        if node.lost is None or _name(node) in left:
            continue
        for c in spec.controls.values():
            f = spec.functions[c.function]
            if (c.kind, c.node) != (node.kind, node.name) or f.kind != "momentary":
                continue
            if not may_be_held(spec, f, node.lost):
                alone.append(c.name)
            elif not _has(tags, f"{LOST} {_name(node)} momentary {f.name} "):
                others.append(c.name)
    if alone:
        why = "what they switch may be a horn, which sounds no longer than a test stroke"
        yield HELD, f"{why}: {', '.join(alone)}"
    if ramps := [name for name, dims in _dimming(spec) if dims and not _has(tags, f"{LOST} {name} dim ")]:
        why = "whether a ramp stops then would not show for certain"
        yield DIMMED, f"{why}: {', '.join(ramps)}"
    if others:
        yield MORE_HELD, f"one of each panel and screen is: {', '.join(others)}"


def _has(tags: Collection[str], begin: str) -> bool:
    return any(t.startswith(begin) for t in tags)


def _dimming(spec: Spec) -> Iterator[tuple[str, bool]]:
    """Panels and screens that can be lost, and whether a key of theirs dims."""
    for node in nodes(spec):
        if node.lost is not None:
            mine = [c for c in spec.controls.values() if (c.kind, c.node) == (node.kind, node.name)]
            circuits = [c for key in mine for c in spec.functions[key.function].circuits]
            yield _name(node), any(spec.circuits[c].dim is not None for c in circuits)


def _held(desk: Desk, node: ControlNode, waiting: Collection[int]) -> Held | None:
    if node.lost is None:
        return None
    spec, lost = desk.spec, node.lost
    keys = [c for c in spec.controls.values() if (c.kind, c.node) == (node.kind, node.name)]
    ways = [(c.name, spec.functions[c.function]) for c in keys]
    ways.sort(key=lambda way: not desk.clusters(way[1].circuits).isdisjoint(waiting))
    used: set[int] = set()

    def first(found: Iterator[tuple[str, Function]]) -> tuple[str, Function] | None:
        for control, f in found:
            clusters = desk.clusters(f.circuits)
            if len(clusters) == 1 and clusters.isdisjoint(used):
                used.update(clusters)
                return control, f
        return None

    written = {c for _, f in ways if f.kind != "momentary" for c in f.circuits if lost.others == "off"}
    momentary = first(
        w for w in ways
        if w[1].kind == "momentary" and may_be_held(spec, w[1], lost)
        and not (lost.momentary == "hold" and w[1].members[0] in written)
    )  # fmt: skip
    dims = first(
        w for w in ways
        if _can_dim(spec, w[1], lost) and not (lost.dim == "continue" and w[1].members[0] in written)
    )  # fmt: skip
    other = first(w for w in ways if w[1].kind == "toggle" and _is_plain(spec, w[1].members[0]))
    return Held(node, lost, momentary, dims, other)


def may_be_held(spec: Spec, f: Function, lost: Lost) -> bool:
    """Whether it may be on until its panel is lost."""
    return lost.after_ms <= SIGNAL_MS or may_run(spec, f)


def may_run(spec: Spec, f: Function) -> bool:
    """Whether a momentary key may be held for seconds. One with which nothing else has to do may be a horn,
    which sounds no longer than a test stroke."""
    circuit = f.members[0]
    ruled = {*_ruled(spec), *(s for r in spec.inhibits for s in r.sources)}
    ruled |= {s for r in spec.follows for s in r.sources}
    others = [o for o in spec.functions.values() if o is not f and circuit in o.circuits]
    return circuit in ruled or bool(others)


def _can_dim(spec: Spec, f: Function, lost: Lost) -> bool:
    """Whether a hold from full on has begun to dim, and has not come to an end, when its panel is lost."""
    dim = spec.circuits[f.members[0]].dim if f.kind == "toggle" else None
    if dim is None or dim.memory != "none":
        return False
    return max(lost.after_ms - dim.hold_ms, RAMP_MS) + 2 * SIGNAL_MS < RAMP_SHARE * dim.range_s * 1000


def _ruled(spec: Spec) -> set[str]:
    """Circuits in which something else than keys has a say."""
    found = {r.circuit for r in spec.forces} | {r.circuit for r in spec.follows}
    return found | {r.circuit for r in spec.inhibits}


def _is_plain(spec: Spec, circuit: str) -> bool:
    c = spec.circuits[circuit]
    return circuit not in _ruled(spec) and c.auto_off is None and c.dim is None


def _panel(desk: Desk, held: Held) -> Script:
    """Keys held down and a circuit on, the panel silent until it is lost, and heard again; then let go."""
    name, lost, pace = _name(held.node), held.lost, desk.pace
    mine = desk.clusters(held.circuits)
    circuits = [c for c, k in desk.sim.cluster_of.items() if k in mine and desk.has_own_key(c)]
    yield from desk.all_off(circuits)
    shows: dict[str, str] = {}
    if held.other is not None:
        f = held.other[1]
        yield from desk.tap(f.name, "on", f"{f.members[0]} on before {name} falls silent")
        shows[f.members[0]] = f"{LOST} {name} others {f.members[0]} ({lost.others})"
    down: list[tuple[str, str]] = []
    lead_ms = pace.dwell
    if held.dims is not None:
        control, f = held.dims
        dim = desk.spec.circuits[f.members[0]].dim
        assert dim is not None
        lead_ms = max(dim.hold_ms + RAMP_MS - lost.after_ms, lead_ms)
        down.append((control, f"{f.members[0]} on and dimmed, held as {name} falls silent"))
        shows[f.members[0]] = f"{LOST} {name} dim {f.members[0]} ({lost.dim})"
    if held.momentary is not None:
        control, f = held.momentary
        down.append((control, f"{f.members[0]} on, held as {name} falls silent"))
        shows[f.members[0]] = f"{LOST} {name} momentary {f.name} ({lost.momentary})"
    hushes = name, lead_ms + lost.after_ms + 2 * pace.dwell
    for n, (control, about) in enumerate(down):
        yield Act("press", control, 1, 0.0, about, hushes=None if n else hushes)
    if down:
        yield Act("wait", "", 0, lead_ms)
    covers = tuple(tag for circuit, tag in shows.items() if desk.is_on(circuit))
    text = f"{name} silent: lost after {lost.after_ms / 1000:g} s"
    last = None if down else hushes
    yield Act("silent", name, 1, lost.after_ms + pace.dwell, text, covers, hushes=last)
    yield Act("silent", name, 0, pace.dwell, f"{name} heard again", (f"{LOST} {name} back",))
    for n, (control, _) in enumerate(down):
        then_ms = pace.dwell if n + 1 == len(down) else 0.0
        yield Act("release", control, 0, then_ms, f"{control} released", urgent=2)
    yield from desk.all_off(circuits)


def _sensors(desk: Desk, module: str, sensors: list[Sensor]) -> Script:
    """A module silent until its sensors are lost: at rest what then counts as active, all others active.
    Where some are held at what they were, once more with all at rest."""
    circuits = [f.circuit for f in desk.spec.forces if f.sensor in {s.name for s in sensors}]
    yield from desk.all_off(circuits)
    pairs = [(s.name, s.lost) for s in sensors if s.lost is not None]
    active = [name for name, lost in pairs if lost.sensor != "active"]
    yield from _turned(desk, active, 1, f"before {module} fall silent")
    yield from _silent(desk, module, pairs, active, desk.pace.dwell)
    yield from _turned(desk, active, 0, f"after {module} were silent")
    held = [(name, lost) for name, lost in pairs if lost.sensor == "hold"]
    if held:
        yield from _silent(desk, module, held, (), 0.0)  # nothing is to change as they are heard again
    yield from desk.all_off(circuits)


def _silent(
    desk: Desk, module: str, pairs: Sequence[tuple[str, Lost]], active: Collection[str], then_ms: float
) -> Script:
    covers = tuple(
        f"{LOST} sensor {name} {'active' if name in active else 'at rest'} ({lost.sensor})"
        for name, lost in pairs
    )
    after_ms = max(lost.after_ms for _, lost in pairs)
    text = f"{module} silent: lost after {after_ms / 1000:g} s"
    ms = after_ms + desk.pace.dwell
    yield Act("silent", module, 1, ms, text, covers, hushes=(module, ms))
    yield Act("silent", module, 0, then_ms, f"{module} heard again", (f"{LOST} {module} back",))


def _turned(desk: Desk, sensors: list[str], value: int, when: str) -> Script:
    of = {name: desk.clusters(f.circuit for f in desk.spec.forces if f.sensor == name) for name in sensors}
    for n, name in enumerate(sensors):
        is_last = n + 1 == len(sensors) or not of[name].isdisjoint(of[sensors[n + 1]])
        then_ms = desk.pace.dwell if is_last else 0.0
        yield Act("sensor", name, value, then_ms, f"{name} {'on' if value else 'off'} {when}")
