"""The hands at the boat: keys and sensors by name, turned into frames at an instant."""

from __future__ import annotations

from collections.abc import Iterable
from typing import cast

from bench.core.errors import BenchError, InternalError
from bench.core.event import SHED
from bench.core.link import VoltsLink
from bench.core.plan import VOLTS, Step
from bench.definitions.sending import Sender, Sent
from bench.spec.model import Spec

from .bus import Bus
from .off_data import CounterBook


class Hands:
    """Plays steps on a bus."""

    def __init__(self, bus: Bus, spec: Spec, sender: Sender) -> None:
        self._bus = bus
        self._sender = sender
        self._called = [b.name for b in spec.boxes.values() if b.wake.by == "message"]

    def begin(self, t_ns: int) -> None:
        """What must be said before the first press (see Sender.begin)."""
        self._send(t_ns, self._sender.begin())

    def press(self, t_ns: int, control: str) -> None:
        """A key goes down at `t_ns`."""
        if self._bus.allowed is not None:
            self._bus.allowed.press(control, t_ns, self._bus.clock.now_ns())
        self._send(t_ns, self._sender.press(control))

    def release(self, t_ns: int, control: str) -> None:
        """A key is let go."""
        self._send(t_ns, self._sender.release(control))

    def sensor(self, t_ns: int, name: str, value: int) -> None:
        """A sensor input changes."""
        self._send(t_ns, self._sender.sensor(name, value))

    def count_on(self, book: CounterBook) -> None:
        """Key events count on from those that others have sent."""
        self._sender.count_on(book.last)

    @property
    def active(self) -> bool:
        """Whether a sensor is active."""
        return bool(self._sender.active)

    def let_go(self, t_ns: int) -> bool:
        """Every key that is held is released. Whether there was one."""
        held = sorted(self._sender.held)
        for control in held:
            self.release(t_ns, control)
        return bool(held)

    def rest(self, t_ns: int, *, again: bool = False) -> None:
        """Every active sensor goes to rest at `t_ns`; `again`: all keys are said to be up once more, after
        what was handed over before they were released."""
        if again:
            self.begin(t_ns)
        for name in self._sender.active:
            self.sensor(t_ns, name, 0)

    def speak(self, t_ns: int) -> None:
        """Panels, screens and sensors that are silent are heard again."""
        for node in self._bus.heart.silent:
            self._send(t_ns, self._bus.heart.hush(node, t_ns, silent=False))

    def wake(self, t_ns: int) -> None:
        """Every wake message there is, each once; one may wake several boxes."""
        said: set[tuple[int, bool]] = set()
        for box in self._called:
            for sent in self._sender.wake(box):
                if (sent[0], sent[2]) not in said:
                    said.add((sent[0], sent[2]))
                    self._send(t_ns, [sent])

    def play(self, t_ns: int, step: Step) -> None:
        """One step of a plan. Raises InternalError for a kind it does not know."""
        if step.kind == "press":
            self.press(t_ns, step.name)
        elif step.kind == "release":
            self.release(t_ns, step.name)
        elif step.kind == "sensor":
            self.sensor(t_ns, step.name, step.value)
        elif step.kind == "wake":
            self.wake(t_ns)
        elif step.kind == "silent":
            self._send(t_ns, self._bus.heart.hush(step.name, t_ns, silent=bool(step.value)))
        elif step.kind == "frame":
            can_id, data, extended = step.name.split("#")
            self._send(t_ns, [(int(can_id, 16), bytes.fromhex(data), extended == "1")])
        elif step.kind == "supply":
            self._bus.link.switch_supply_at(t_ns, step.name, bool(step.value))
        elif step.kind == VOLTS:
            self._volts(t_ns, step.value / 1000.0)
        elif step.kind not in ("wait", SHED):
            raise InternalError(f"a step of kind {step.kind!r} cannot be played")

    def _volts(self, t_ns: int, volts: float) -> None:
        link = self._bus.link
        if not link.facts.sets_volts:
            raise BenchError("the plan sets the supply's voltage, which this bench cannot")
        cast(VoltsLink, link).set_volts_at(t_ns, volts)

    def _send(self, t_ns: int, frames: Iterable[Sent]) -> None:
        for can_id, data, extended in frames:
            self._bus.send(t_ns, can_id, data, extended)
