"""Bringing the boat to a known start: awake, everything off, counted positions known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from bench.core.entry import StepMark
from bench.core.frame import Frame
from bench.definitions import Definitions
from bench.spec.model import Function, Spec

from .bus import AHEAD_NS, MS, Bus
from .hands import Hands
from .off_data import CounterBook, OffData
from .safe_off import OffResult, SafeOff

SUPPLY_OFF_MS = 1500.0
TICK_MS = 20.0  # how often the safe-off machine is asked during a run


def wake_boxes(bus: Bus, spec: Spec, hands: Hands) -> None:
    """Supply off and on where the bench can, wake messages where there are some; then the time
    every box may take. Counted positions and outputs are then as agreed for wake-up."""
    called = any(b.wake.by == "message" for b in spec.boxes.values())
    switches = bus.link.facts.switches_supply
    if switches:
        bus.mark(StepMark(bus.t_ns, -1, "supply off and on", "home"))
        start_ns = bus.clock.now_ns() + AHEAD_NS
        for box in spec.boxes:
            bus.link.switch_supply_at(start_ns, box, False)
            bus.link.switch_supply_at(start_ns + int(SUPPLY_OFF_MS * MS), box, True)
        bus.pump(start_ns + int((SUPPLY_OFF_MS + 100) * MS))
    if called:
        bus.mark(StepMark(bus.t_ns, -1, "wake message", "home"))
        hands.wake(bus.clock.now_ns() + AHEAD_NS)
    if called or switches:
        boxes = spec.boxes.values()
        wait_ms = max(b.wake.within_s * 1000 + b.wake.not_available_ms + b.respond_ms for b in boxes)
        bus.pump(bus.clock.now_ns() + int((wait_ms + 200) * MS))


class Listening:
    """Which cyclic messages of the boxes were seen."""

    def __init__(self, spec: Spec, definitions: Definitions) -> None:
        self._definitions = definitions
        cyclic = [m for m in definitions.messages() if m.node in spec.boxes and m.cycle_ms]
        self._missing = {m.name: m.node for m in cyclic}
        self.longest_ms = max((m.cycle_ms or 0.0 for m in cyclic), default=1000.0) * 1.2 + 300

    def see(self, frame: Frame) -> None:
        """One received frame."""
        reading = self._definitions.decode(frame)
        if reading is not None:
            self._missing.pop(reading.message, None)

    @property
    def missing(self) -> tuple[str, ...]:
        """Names of the messages not seen yet."""
        return tuple(self._missing)

    def silent(self, spec: Spec) -> tuple[str, ...]:
        """Boxes of which not one cyclic message was seen."""
        all_of = {
            b: [m.name for m in self._definitions.messages() if m.node == b and m.cycle_ms]
            for b in spec.boxes
        }
        return tuple(b for b, names in all_of.items() if names and all(n in self._missing for n in names))


def listen(bus: Bus, spec: Spec, definitions: Definitions) -> Listening:
    """Until every cyclic message was seen once. Blocks: up to 1.2 of the longest cycle and 300 ms."""
    listening = Listening(spec, definitions)
    end_ns = bus.clock.now_ns() + int(listening.longest_ms * MS)
    bus.listener = listening.see
    try:
        while listening.missing and bus.clock.now_ns() < end_ns:
            bus.pump(min(end_ns, bus.clock.now_ns() + 50 * MS))
    finally:
        bus.listener = None
    return listening


def switch_off(
    bus: Bus, data: OffData, *, targets: frozenset[str] | None = None, cyclic: bool = False,
    told: Callable[[str], None] = lambda text: None, watch_ms: float = 0.0,
) -> OffResult:  # fmt: skip
    """Runs the safe-off machine on the bus; `cyclic`: it also sends the signs of life itself. `watch_ms`: as
    in SafeOff."""
    book = bus.book or CounterBook(data)
    data = data if cyclic else replace(data, cyclic=())
    machine = SafeOff(data, book, bus.clock.now_ns(), targets=targets, watch_ms=watch_ms)
    before = bus.listener
    bus.listener = lambda f: machine.see(f.t_ns, f.can_id, f.extended, f.data)
    try:
        while not machine.finished:
            now_ns = bus.clock.now_ns()
            for out in machine.advance(now_ns):
                told(out.about)
                bus.send(now_ns, out.can_id, out.data, out.extended)
            if not machine.finished:
                bus.pump(now_ns + int(TICK_MS * MS))
    finally:
        bus.listener = before
    return machine.result()


def walk_counters(bus: Bus, spec: Spec, hands: Hands, dwell_ms: float) -> tuple[str, ...]:
    """Presses every counted cycle whose position is unknown, at most two passes, until it is known
    and nothing of it is on. Gives back the functions for which that was not reached, or that would have
    a circuit on for longer than its limit."""
    left = []
    limits = bus.allowed.limits if bus.allowed is not None else {}
    for f in spec.functions.values():
        control = next((c.name for c in spec.controls.values() if c.function == f.name), None)
        if f.position != "counter" or control is None:
            continue
        if any(_walked_ms(spec, f, c, dwell_ms) > limits[c] * 1000 for c in f.circuits if c in limits):
            left += [] if _is_home(bus, f) else [f.name]
            continue
        for _ in range(2 * len(f.positions)):
            if _is_home(bus, f):
                break
            bus.mark(StepMark(bus.t_ns, -1, f"step {f.name} to a known position", "home"))
            at_ns = bus.clock.now_ns() + AHEAD_NS
            hands.press(at_ns, control)
            hands.release(at_ns + 120 * MS, control)
            bus.pump(at_ns + int(dwell_ms * MS))
        if not _is_home(bus, f):
            left.append(f.name)
    return tuple(left)


def _walked_ms(spec: Spec, f: Function, circuit: str, dwell_ms: float) -> float:
    """How long walking a cycle has a circuit on at a stretch, if it stood one position before it was on."""
    longest = run = 0
    for names in [*f.positions, *f.positions]:
        run = run + 1 if circuit in names else 0
        longest = max(longest, run)
    return longest * dwell_ms + spec.boxes[spec.circuits[circuit].box].respond_ms


def _is_home(bus: Bus, f: Function) -> bool:
    if f"position {f.name}" in bus.assessor.hidden():
        return False
    states = [bus.assessor.reported.get(f"state:{c}") for c in f.circuits]
    return not any(s is not None and s.value for s in states)
