"""Frames of panels, screens and sensor modules: where they lie, and what causes they tell of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from bench.core.event import PRESS, RELEASE, SENSOR, WAKE
from bench.core.frame import Frame
from bench.core.signal import Undecodable

from .binding import Rule
from .database import Field
from .observers import in_spans, wrong_length
from .readings import ControlEvent, Reading
from .words import SENSOR as SENSOR_WORDS


@dataclass(frozen=True, slots=True)
class Carrier:
    """One control message of one node. `name`: `panel helm/KeyEvent`. `period_ms`: None on demand."""

    name: str
    node: str
    can_id: int
    id_mask: int
    extended: bool
    length: int
    period_ms: float | None
    unused_bits: int
    counter: Field | None = None

    def blank(self) -> bytes:
        """A payload in which nothing is set."""
        return (b"\xff" if self.unused_bits else b"\x00") * self.length


def put(data: bytes, where: Field, raw: int) -> bytes:
    """The payload with one field set.

    **Raises:** ValueError when the raw value does not fit.
    """
    lo, hi = where.raw_limits()
    if not lo <= raw <= hi:
        raise ValueError(f"{where.full_name} cannot hold {raw}: {lo} to {hi}")
    order: str = "big" if where.big else "little"
    bits = int.from_bytes(data, order)  # type: ignore[arg-type]
    bits = bits & ~(where.mask << where.shift) | (raw & where.mask) << where.shift
    return bits.to_bytes(len(data), order)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class EventKeys:
    """A panel or screen that sends one frame an event, with the key's number."""

    carrier: Carrier
    key: Field
    action: Field
    pressed: int
    released: int

    def read(self, frame: Frame) -> Reading:
        """The event of one frame."""
        c, data = self.carrier, frame.data
        if len(data) != c.length:
            return wrong_length(c.name, c.node, True, c.length, data, ())
        key, action = self.key.take(data), self.action.take(data)
        counter = c.counter.take(data) if c.counter else None
        control = f"{c.node} {key}"
        if (self.key.lo is not None and key < self.key.lo) or (self.key.hi is not None and key > self.key.hi):
            return _bad(c, f"{self.key.name} is {key}, outside {self.key.lo} to {self.key.hi}")
        if action == self.pressed:
            event = ControlEvent(PRESS, control, 1, counter)
        elif action == self.released:
            event = ControlEvent(RELEASE, control, 0, counter)
        else:
            return _bad(c, f"{self.action.name} is {action}, neither pressed nor released", (control,))
        return Reading(c.name, c.node, True, (), (event,))

    def payload(self, key: int, is_pressed: bool, counter: int) -> bytes:
        """The data of one event."""
        data = put(self.carrier.blank(), self.key, key)
        data = put(data, self.action, self.pressed if is_pressed else self.released)
        return put_counter(data, self.carrier, counter)


@dataclass(slots=True)
class LevelKeys:
    """A node whose frames hold the present level of each key (`press`) or input (`sensor`).

    `places`: control or sensor -> its field. Reading tells only changes, so it remembers. The frames' counter
    counts frames, not key events: events of keys bear none, or one that comes round would be a repetition.
    """

    carrier: Carrier
    places: Mapping[str, Field]
    rule: Rule
    is_sensor: bool
    _last: dict[str, bool] = field(default_factory=dict)

    def forget(self) -> None:
        """Reading starts anew."""
        self._last.clear()

    def read(self, frame: Frame) -> Reading:
        """The changes that one frame tells of."""
        c, data = self.carrier, frame.data
        if len(data) != c.length:
            return wrong_length(c.name, c.node, True, c.length, data, tuple(self.places))
        counter = c.counter.take(data) if c.counter and self.is_sensor else None
        events: list[ControlEvent] = []
        bad: dict[str, str] = {}
        for name, where in self.places.items():
            level = self._level(where.take(data))
            if isinstance(level, str):
                bad[name] = f"{where.name} {level}"
                self._last.pop(name, None)
                continue
            before = self._last.get(name)
            self._last[name] = level
            if before == level or (before is None and not level and not self.is_sensor):
                continue
            if before is None and level and not self.is_sensor:
                bad[name] = f"{name} is down in the first frame that tells of it; the press was not seen"
                continue
            kind = SENSOR if self.is_sensor else PRESS if level else RELEASE
            events.append(ControlEvent(kind, name, int(level), counter))
        undecodable = None
        if bad:
            undecodable = Undecodable(c.name, "range", "; ".join(bad.values()), tuple(bad))
        return Reading(c.name, c.node, True, (), tuple(events), undecodable)

    def _level(self, raw: int) -> bool | str:
        if in_spans(raw, self.rule.not_available):
            return "is not available"
        if in_spans(raw, self.rule.error):
            return "is in error"
        for lo, hi, value in self.rule.words:
            if lo <= raw <= hi:
                return value == SENSOR_WORDS["on"]
        return f"is {raw}, which means nothing"

    def is_plain(self, data: bytes) -> bool:
        """Whether every level in a payload of right length can be read."""
        return not any(isinstance(self._level(w.take(data)), str) for w in self.places.values())

    def raw_of(self, is_on: bool) -> int:
        """The raw value to send for a level."""
        wanted = SENSOR_WORDS["on" if is_on else "off"]
        return next(lo for lo, _, value in self.rule.words if value == wanted)

    def payload(self, held: Mapping[str, bool], counter: int) -> bytes:
        """The data that says which are on."""
        data = self.carrier.blank()
        for name, where in self.places.items():
            data = put(data, where, self.raw_of(held.get(name, False)))
        return put_counter(data, self.carrier, counter)


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """A node's sign of life."""

    carrier: Carrier
    keys_down: Field | None

    def read(self, frame: Frame) -> Reading:
        """That the node was heard; nothing else."""
        c = self.carrier
        if len(frame.data) != c.length:
            return wrong_length(c.name, c.node, True, c.length, frame.data, ())
        return Reading(c.name, c.node, True)

    def payload(self, held: int, counter: int) -> bytes:
        """The data with the number of keys held."""
        data = self.carrier.blank()
        if self.keys_down is not None:
            data = put(data, self.keys_down, min(held, self.keys_down.raw_limits()[1]))
        return put_counter(data, self.carrier, counter)


@dataclass(frozen=True, slots=True)
class WakeCall:
    """A message, whoever sends it, that wakes boxes. `sends_id`: the identifier when the bench does."""

    carrier: Carrier
    boxes: tuple[str, ...]
    sends_id: int

    def read(self, frame: Frame) -> Reading:
        """One wake event a box."""
        c = self.carrier
        if len(frame.data) != c.length:
            return wrong_length(c.name, c.node, True, c.length, frame.data, self.boxes)
        counter = c.counter.take(frame.data) if c.counter else None
        return Reading(c.name, c.node, True, (), tuple(ControlEvent(WAKE, b, 1, counter) for b in self.boxes))

    def payload(self, counter: int) -> bytes:
        """The data."""
        return put_counter(self.carrier.blank(), self.carrier, counter)


ControlReader = EventKeys | LevelKeys | Heartbeat | WakeCall


@dataclass(frozen=True, slots=True)
class Several:
    """One control frame that means several things, such as keys and a sign of life."""

    parts: tuple[ControlReader, ...]

    def read(self, frame: Frame) -> Reading:
        """Everything that the frame tells."""
        readings = [p.read(frame) for p in self.parts]
        first = readings[0]
        events = tuple(e for r in readings for e in r.events)
        undecodable = next((r.undecodable for r in readings if r.undecodable), None)
        return Reading(first.message, first.node, True, (), events, undecodable)


def put_counter(data: bytes, carrier: Carrier, counter: int) -> bytes:
    """The payload with the message's counter, which wraps at its field's size."""
    where = carrier.counter
    return (
        data
        if where is None
        else put(data, where, counter & (where.mask >> 1 if where.signed else where.mask))
    )


def _bad(c: Carrier, reason: str, signals: tuple[str, ...] = ()) -> Reading:
    return Reading(c.name, c.node, True, undecodable=Undecodable(c.name, "range", reason, signals))
