"""What the bench sends: key events, sensor inputs, wake calls and signs of life, with their counters."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import NamedTuple

from bench.core.errors import Complaint, DefinitionError

from .controls import Carrier, ControlReader, EventKeys, Heartbeat, LevelKeys, WakeCall

Sent = tuple[int, bytes, bool]  # identifier, data, extended


class Beat(NamedTuple):
    """A cyclic frame: `make` gives the next one, as things stand then."""

    node: str
    period_ms: float
    make: Callable[[], list[Sent]]


class Sender:
    """Keeps which keys are held, how the inputs stand and every message's counter. Thread: one."""

    def __init__(
        self, controls: Sequence[ControlReader], keys: Sequence[str], cannot_send: Mapping[str, str]
    ) -> None:
        self._controls, self._keys, self._cannot_send = tuple(controls), tuple(keys), cannot_send
        self._counters: dict[str, int] = {}
        self._held: set[str] = set()
        self._inputs: dict[str, bool] = {}

    @property
    def held(self) -> frozenset[str]:
        """Controls pressed and not yet released."""
        return frozenset(self._held)

    def _next(self, c: Carrier) -> int:
        value = self._counters.get(c.name, -1) + 1
        if c.counter is not None:
            value &= c.counter.mask
        self._counters[c.name] = value
        return value

    def count_on(self, last: Callable[[str, int], int | None]) -> None:
        """Counters of keys that are events go on from what others sent: `last` of a node and identifier."""
        for c in self._controls:
            counter = last(c.carrier.node, c.carrier.can_id) if isinstance(c, EventKeys) else None
            if counter is not None:
                self._counters[c.carrier.name] = counter

    def press(self, control: str) -> list[Sent]:
        """Frames that say a key went down. Raises DefinitionError when it cannot be pressed."""
        return self._key(control, True)

    def release(self, control: str) -> list[Sent]:
        """Frames that say a key came up. Raises DefinitionError when it cannot be pressed."""
        return self._key(control, False)

    def _key(self, control: str, is_pressed: bool) -> list[Sent]:
        reader = self.key_reader(control)
        (self._held.add if is_pressed else self._held.discard)(control)
        if isinstance(reader, EventKeys):
            c = reader.carrier
            data = reader.payload(int(control.rpartition(" ")[2]), is_pressed, self._next(c))
            return [(c.can_id, data, c.extended)]
        return self._levels(reader)

    def _levels(self, reader: LevelKeys) -> list[Sent]:
        c = reader.carrier
        on = self._inputs if reader.is_sensor else dict.fromkeys(self._held, True)
        return [(c.can_id, reader.payload(on, self._next(c)), c.extended)]

    def key_reader(self, control: str) -> EventKeys | LevelKeys:
        """What reads and writes a control's key.

        **Raises:** DefinitionError when nothing is bound to it.
        """
        node = control.rpartition(" ")[0]
        for c in () if control in self._cannot_send else self._controls:
            if isinstance(c, EventKeys) and c.carrier.node == node:
                return c
            if isinstance(c, LevelKeys) and not c.is_sensor and control in c.places:
                return c
        why = self._cannot_send.get(control, "the binding has no such key")
        raise DefinitionError(Complaint(f"{control} cannot be pressed: {why}"))

    def sensor(self, name: str, value: int) -> list[Sent]:
        """Frames that say a sensor's input changed. Raises DefinitionError when nothing is bound."""
        for c in self._controls:
            if isinstance(c, LevelKeys) and c.is_sensor and name in c.places:
                self._inputs[name] = bool(value)
                return self._levels(c)
        why = self._cannot_send.get(name, "the binding has no such sensor")
        raise DefinitionError(Complaint(f"sensor {name} cannot be worked: {why}"))

    @property
    def active(self) -> tuple[str, ...]:
        """Sensors that were last told to be active."""
        return tuple(name for name, on in self._inputs.items() if on)

    def wake(self, box: str) -> list[Sent]:
        """The frame that wakes a box, and every other box that hears the same message."""
        for c in self._controls:
            if isinstance(c, WakeCall) and box in c.boxes:
                return [(c.sends_id, c.payload(self._next(c.carrier)), c.carrier.extended)]
        why = self._cannot_send.get(f"wake {box}", "it does not wake by message")
        raise DefinitionError(Complaint(f"box {box} cannot be woken by a message: {why}"))

    def begin(self) -> list[Sent]:
        """Harmless frames to send before the first press.

        A box ignores an event whose counter it saw last, perhaps in an earlier session: releasing a
        key that is not held brings each node's counter to a known place. Keys and inputs sent as
        levels are told at rest.
        """
        sent: list[Sent] = []
        for c in self._controls:
            if isinstance(c, EventKeys):
                keys = [k for k in self._keys if k.rpartition(" ")[0] == c.carrier.node]
                if keys:
                    sent += self.release(keys[0])
            elif isinstance(c, LevelKeys):
                sent += self._levels(c)
        return sent

    def heartbeats(self) -> list[Beat]:
        """Every cyclic frame of panels, screens and sensor modules, one entry a message."""
        beats: list[Beat] = []
        levels = {c.carrier.name for c in self._controls if isinstance(c, LevelKeys)}
        for c in self._controls:
            period = c.carrier.period_ms
            if period is None or isinstance(c, EventKeys | WakeCall):
                continue
            if isinstance(c, Heartbeat) and c.carrier.name not in levels:
                beats.append(Beat(c.carrier.node, period, partial(self._beat, c)))
            elif isinstance(c, LevelKeys):
                beats.append(Beat(c.carrier.node, period, partial(self._levels, c)))
        return beats

    def _beat(self, c: Heartbeat) -> list[Sent]:
        held = sum(1 for k in self._held if k.rpartition(" ")[0] == c.carrier.node)
        return [(c.carrier.can_id, c.payload(held, self._next(c.carrier)), c.carrier.extended)]
