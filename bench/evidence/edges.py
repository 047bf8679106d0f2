"""Boxes at the edges of what is agreed: slow or quick, weak or strong, early or late, and still right."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace

from bench.core.frame import RX, Frame
from bench.core.verdict import FAIL, INCONCLUSIVE, PASS, Verdict
from bench.evidence.corpus import JITTER_MS, trace_of, verdict_of
from bench.evidence.page import Page, Table
from bench.lab.alter import MS
from bench.lab.api import boat_tables, load_boat, run_virtual
from bench.lab.walk import make_walk
from bench.loads.bands import LOAD_KINDS
from bench.plan import make_plan
from bench.run.api import Boat, Wishes
from bench.spec.model import Box, Circuit, Spec
from bench.twin import Tables
from bench.twin.tables import BoxRow, ChannelRow, Sense

BOATS = ("kittiwake", "dunlin", "fulmar", "turnstone", "greenshank", "dotterel")
RUNS = 600
BOOT_SPREAD = 1.1  # the virtual box takes up to a tenth longer
LEADS_OHM = 0.02  # of supply and box, together with what else is on
FREE = "anywhere within"
EDGES = (FREE, "slow", "quick", "strong", "weak")
REPORTS_LATE = "reports late"
REPORTING = ("kittiwake", "dunlin", "fulmar")  # whose boxes leave something of respond_ms
TRACES = 30
WATCHED = ("state", "level", "fault", "lamp", "backlight")


class Drawer:
    """Draws how far from the middle a quantity lies, in -1 .. 1; `edge` of EDGES."""

    def __init__(self, edge: str, chance: random.Random) -> None:
        self._edge, self._chance = edge, chance

    def time(self) -> float:
        """Of something that lasts."""
        return {"slow": 1.0, "quick": -1.0}.get(self._edge, self._chance.uniform(-1, 1))

    def current(self) -> float:
        """Of what a load draws."""
        return {"strong": 1.0, "weak": -1.0}.get(self._edge, self._chance.uniform(-1, 1))


def at_an_edge(tables: Tables, spec: Spec, edge: str, chance: random.Random) -> Tables:
    """The virtual box's tables, with everything for which the spec leaves room moved within it."""
    draw = Drawer(edge, chance)
    boxes = tuple(_box(row, spec.boxes[row.name], draw) for row in tables.boxes)
    circuits = _circuits(spec, tables)
    volts = min(row.volts for row in tables.boxes)
    channels = tuple(
        _channel(row, circuits[row.number], draw, volts) if row.number in circuits else row
        for row in tables.channels
    )
    return replace(tables, boxes=boxes, channels=channels)


def _circuits(spec: Spec, tables: Tables) -> Mapping[int, Circuit]:
    first = {row.name: row.first for row in tables.boxes}
    return {first[c.box] + c.channel - 1: c for c in spec.circuits.values()}


def _box(row: BoxRow, box: Box, draw: Drawer) -> BoxRow:
    def up_to(most: float) -> float:
        return most * (1 + draw.time()) / 2

    timing = box.timing_ms
    made = replace(
        row,
        scan_ms=up_to(timing.scan),
        debounce_ms=up_to(timing.debounce),
        task_ms=up_to(timing.task),
        boot_ms=max(50.0, up_to(box.wake.within_s * 1000 / BOOT_SPREAD)),
        not_available_ms=up_to(box.wake.not_available_ms),
    )
    if box.current is None:
        return made
    step_a = row.sense.step_a
    noise_a = min(row.sense.noise_a, box.current.offset_a / 2)
    offset_a = max(0.0, box.current.offset_a - noise_a - step_a / 2)
    return replace(made, sense=Sense(box.current.gain_pct, offset_a, noise_a, step_a))


def _channel(row: ChannelRow, circuit: Circuit, draw: Drawer, volts: float) -> ChannelRow:
    """The tolerance is of the current that the circuit draws, and what its wire takes is part of it."""
    tolerance_pct = LOAD_KINDS[circuit.load][0] if circuit.tol_pct is None else circuit.tol_pct
    most_a = circuit.rated_a * (1 + tolerance_pct / 100)
    wire_pct = 100 * most_a * (row.wire_ohm + LEADS_OHM) / volts
    room_pct = max(0.0, tolerance_pct - 2 * wire_pct)
    row = replace(row, amps=circuit.rated_a * (1 + draw.current() * room_pct / 100))
    if circuit.dim is not None and row.dim is not None:
        sweep_ms = circuit.dim.range_s * 1000 * (1 + draw.time() * circuit.dim.range_tol_pct / 100)
        row = replace(row, dim=replace(row.dim, sweep_ms=sweep_ms))
    if circuit.auto_off is not None and row.off_after_ms:
        auto = circuit.auto_off
        row = replace(row, off_after_ms=1000 * (auto.after_s + draw.time() * auto.tolerance_s))
    return row


def one(boat: Boat, seed: int) -> tuple[str, Verdict]:
    """The edge, and the verdict on the plan or on a random walk."""
    name = boat.spec.boat.name
    chance = random.Random(f"edges {name} {seed}")
    edge = EDGES[seed % len(EDGES)]
    tables = at_an_edge(boat_tables(name), boat.spec, edge, chance)
    walks = seed // len(EDGES) % 2 == 0
    plan = make_walk(boat.spec, seed) if walks else make_plan(boat.spec, seed=seed, short=True)
    boat.definitions.forget()
    return edge, run_virtual(boat=boat, tables=tables, seed=seed, wishes=Wishes(plan=plan)).verdict


def slack_ms(spec: Spec) -> float:
    """How much later than it does the virtual box might report a change, and still be in time."""

    def left(box: Box) -> float:
        timing = box.timing_ms
        spacing_ms = max(
            f.on_change_ms or f.cycle_ms or 0.0 for kind, f in box.frames_ms.items() if kind in WATCHED
        )
        inside_ms = timing.scan + timing.debounce + timing.task + box.shortest_press_ms
        return box.respond_ms - inside_ms - spacing_ms - JITTER_MS

    return min(left(box) for box in spec.boxes.values())


def reported_late(boat: Boat, seed: int) -> Verdict:
    """The verdict on a walk of another logger, every other frame of a box late by up to what is left."""
    chance = random.Random(f"late {boat.spec.boat.name} {seed}")
    most_ns = round(slack_ms(boat.spec) * MS)
    frames: list[Frame] = []
    last_ns: dict[int, int] = {}
    for frame in trace_of(boat, seed).frames:
        delays = frame.direction == RX and chance.random() < 0.5
        t_ns = frame.t_ns + (chance.randrange(most_ns) // 1000 * 1000 if delays else 0)
        t_ns = last_ns[frame.can_id] = max(t_ns, last_ns.get(frame.can_id, 0) + 1000)
        frames.append(frame._replace(t_ns=t_ns))
    frames.sort(key=lambda f: f.t_ns)
    return verdict_of(boat, frames, chance)


def study(sample: float = 1.0) -> Page:
    """All boats in turn."""
    count = max(len(BOATS) * len(EDGES), round(RUNS * sample))
    ended: dict[str, Counter[str]] = {edge: Counter() for edge in (*EDGES, REPORTS_LATE)}
    wrong: list[str] = []
    for name in BOATS:
        boat = load_boat(name)
        for seed in range(1, count // len(BOATS) + 1):
            edge, verdict = one(boat, seed)
            ended[edge].update(["runs", verdict.outcome])
            if verdict.outcome == FAIL:
                wrong.append(f"{name} {seed} ({edge}): {verdict.discrepancies[0].subject}")
    for name in REPORTING:
        boat = load_boat(name)
        for seed in range(1, max(2, round(TRACES * sample)) + 1):
            verdict = reported_late(boat, 7000 + seed)
            ended[REPORTS_LATE].update(["runs", verdict.outcome])
            if verdict.outcome == FAIL:
                wrong.append(f"{name} {7000 + seed} ({REPORTS_LATE}): {verdict.discrepancies[0].subject}")
    rows = [[e, *(c[w] for w in ("runs", PASS, INCONCLUSIVE, FAIL))] for e, c in ended.items()]
    total = sum(c["runs"] for c in ended.values())
    summary = f"{len(wrong)} of {total} boxes within what is agreed fail"
    if wrong:
        summary += ": " + "; ".join(wrong[:10])
    table = Table(("box", "runs", "pass", "inconclusive", "fail"), rows)
    return Page("edges", "Boxes at the edges of what is agreed", _ABOUT, not wrong, summary, (table,))


_ABOUT = (
    "Virtual boxes of which everything that the spec leaves room for was moved within it: steps from key to "
    "output, time to wake and until values are available, dimming speed, timers, what loads draw, and how "
    "wrong currents are reported. Slow and quick, strong and weak: all of it at that end. Random walks and "
    "short plans. Reports late: walks as recorded by another logger, every other frame of a box later by up "
    "to what `respond_ms` leaves, each by its own. None may fail; a current in the guard band between right "
    "and wrong is inconclusive."
)
