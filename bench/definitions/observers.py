"""From a payload to observations: one Observer a signal, one Page a message (or multiplexer page).

This is the hot path: every value that was seen once is looked up, not computed again.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal, Protocol

from bench.core.frame import Frame
from bench.core.signal import FAULT_TRIPPED, Observation, Undecodable

from .binding import Rule, Spans
from .database import Field
from .readings import Reading
from .words import STATE

_TABLE, _BODIES = 4096, 2048  # remembered raw values a signal, payloads a message
_UNSEEN = Observation("", None, 0, "not for this value")
_new_reading = tuple.__new__
Order = Literal["little", "big"]
Extra = Callable[[bytes], "Observation | str"]  # an observation made from several fields


class Reader(Protocol):
    """Reads frames of one identifier."""

    def read(self, frame: Frame) -> Reading: ...


def in_spans(raw: int, spans: Spans) -> bool:
    """Whether a raw value lies in one of the ranges."""
    return any(lo <= raw <= hi for lo, hi in spans)


class Observer:
    """One signal of core.signal in one field. `step`: physical value of one raw count."""

    __slots__ = (
        "field",
        "mask",
        "offset",
        "rule",
        "scale",
        "shift",
        "sign",
        "signal",
        "step",
        "table",
        "trips",
    )

    def __init__(self, signal: str, field: Field, rule: Rule, *, trips: bool = False) -> None:
        self.signal = signal
        self.field = field
        self.rule = rule
        self.trips = trips  # a fault seen only in the state field's word "tripped"
        self.shift, self.mask = field.shift, field.mask
        self.sign = 1 << (field.size - 1) if field.signed else 0
        self.scale, self.offset = field.scale * rule.times, field.offset * rule.times
        self.step = 1.0 if rule.words else abs(self.scale)
        self.table: dict[int, Observation] = {}

    def signed(self, bits: int) -> int:
        """The raw value of the field's bits."""
        return (bits ^ self.sign) - self.sign if self.sign else bits

    def observe(self, bits: int) -> Observation | str:
        """The observation for the field's bits, or why there is none."""
        found = self.table.get(bits)
        if found is not None:
            return found
        made = self._observe(self.signed(bits))
        if isinstance(made, Observation):
            if len(self.table) >= _TABLE:
                self.table.clear()
            self.table[bits] = made
        return made

    def _observe(self, raw: int) -> Observation | str:
        rule = self.rule
        if in_spans(raw, rule.not_available):
            return _UNSEEN if self.trips else Observation(self.signal, None, raw, "not available")
        if in_spans(raw, rule.error):
            return _UNSEEN if self.trips else Observation(self.signal, None, raw, "the box reports an error")
        if rule.words:
            return self._word(raw)
        if (self.field.lo is not None and raw < self.field.lo) or (
            self.field.hi is not None and raw > self.field.hi
        ):
            return f"{self.field.name} has the raw value {raw}, outside {self.field.lo} to {self.field.hi}"
        return Observation(self.signal, raw * self.scale + self.offset, raw)

    def _word(self, raw: int) -> Observation | str:
        for lo, hi, value in self.rule.words:
            if lo <= raw <= hi:
                if self.trips:
                    tripped = value == STATE["tripped"]
                    return Observation(self.signal, float(FAULT_TRIPPED), raw) if tripped else _UNSEEN
                if self.signal.startswith("state:"):
                    value = int(value == STATE["on"])
                return Observation(self.signal, float(value), raw)
        return _UNSEEN if self.trips else f"{self.field.name} has the raw value {raw}, which means nothing"


class Page:
    """A message's observers: those of its message counters apart from the rest (`body`).

    `selected`: the multiplexers' raw values, outermost first; empty in a plain message.
    """

    __slots__ = (
        "_bodies",
        "_body_bits",
        "_counter_plan",
        "_plans",
        "body",
        "counters",
        "extra_bits",
        "extras",
        "length",
        "message",
        "node",
        "selected",
    )

    def __init__(
        self,
        message: str,
        node: str,
        length: int,
        body: list[Observer],
        counters: list[Observer],
        extras: list[tuple[tuple[Field, ...], Extra]],
        selected: tuple[int, ...] = (),
    ) -> None:
        self.message, self.node, self.length, self.selected = message, node, length, selected
        self.body, self.counters = body, counters
        self.extras = [extra for _, extra in extras]
        self.extra_bits = 0  # of the little-endian payload
        for f in [f for group, _ in extras for f in group]:
            self.extra_bits |= little_mask(f, length)
        self._body_bits = self.extra_bits
        for o in body:
            self._body_bits |= little_mask(o.field, length)
        orders: tuple[tuple[Order, bool], ...] = (("little", False), ("big", True))
        by_order = [(order, [o for o in body if o.field.big is big]) for order, big in orders]
        self._plans = [(order, plan) for order, plan in by_order if plan]
        self._counter_plan: list[tuple[Observer, Order]] = [
            (o, "big" if o.field.big else "little") for o in counters
        ]
        self._bodies: dict[int, tuple[tuple[Observation, ...], Undecodable | None]] = {}

    @property
    def signals(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(o.signal for o in (*self.body, *self.counters)))

    def read(self, frame: Frame) -> Reading:
        """The reading of one frame whose identifier is this page's."""
        data = frame.data
        if len(data) != self.length:
            return wrong_length(self.message, self.node, False, self.length, data, self.signals)
        bits = int.from_bytes(data, "little")
        key = bits & self._body_bits
        found = self._bodies.get(key)
        if found is None:
            found = self._read_body(bits, data)
            if len(self._bodies) >= _BODIES:
                self._bodies.clear()
            self._bodies[key] = found
        body, undecodable = found
        if not self._counter_plan:
            return _new_reading(Reading, (self.message, self.node, False, body, (), undecodable, body))
        seen = body
        for o, order in self._counter_plan:
            raw = (bits if order == "little" else int.from_bytes(data, "big")) >> o.shift & o.mask
            one = o.table.get(raw) or o.observe(raw)
            if isinstance(one, Observation):
                seen = (*seen, one)
        return _new_reading(Reading, (self.message, self.node, False, seen, (), undecodable, body))

    def _read_body(self, bits: int, data: bytes) -> tuple[tuple[Observation, ...], Undecodable | None]:
        seen: list[Observation] = []
        bad: list[tuple[str, str]] = []
        for order, plan in self._plans:
            value = bits if order == "little" else int.from_bytes(data, "big")
            for o in plan:
                raw = value >> o.shift & o.mask
                one = o.table.get(raw) or o.observe(raw)
                if one is _UNSEEN:
                    continue
                if isinstance(one, Observation):
                    seen.append(one)
                else:
                    bad.append((o.signal, one))
        for extra in self.extras:
            one = extra(data)
            if isinstance(one, Observation):
                seen.append(one)
            else:
                bad.append(("", one))
        if not bad:
            return tuple(seen), None
        signals = tuple(dict.fromkeys(s for s, _ in bad if s))
        reason = "; ".join(dict.fromkeys(why for _, why in bad))
        return tuple(seen), Undecodable(self.message, "range", reason, signals)


class Switch:
    """A multiplexed message: the selector's raw value names the page."""

    __slots__ = ("_known", "field", "length", "message", "node", "pages", "signals")

    def __init__(
        self,
        message: str,
        node: str,
        length: int,
        field: Field,
        pages: dict[int, Page | Switch],
        known: frozenset[int],
    ) -> None:
        self.message, self.node, self.length, self.field, self.pages = message, node, length, field, pages
        self._known = known  # pages of the definitions on which nothing is bound
        self.signals: tuple[str, ...] = tuple(s for p in pages.values() for s in p.signals)

    def read(self, frame: Frame) -> Reading:
        """The reading of one frame whose identifier is this message's."""
        if len(frame.data) != self.length:
            return wrong_length(self.message, self.node, False, self.length, frame.data, self.signals)
        raw = self.field.take(frame.data)
        page = self.pages.get(raw)
        if page is not None:
            return page.read(frame)
        if raw in self._known:
            return Reading(f"{self.message} page {raw}", self.node, False)
        reason = f"{self.field.name} is {raw}, a page that the definitions do not have"
        return Reading(self.message, self.node, False, undecodable=Undecodable(self.message, "mux", reason))


def wrong_length(
    message: str, node: str, is_control: bool, length: int, data: bytes, signals: tuple[str, ...]
) -> Reading:
    """The reading of a frame that is too short or too long; it is never trimmed or filled."""
    kind = "short" if len(data) < length else "long"
    reason = f"{len(data)} bytes where the definitions have {length}"
    return Reading(message, node, is_control, undecodable=Undecodable(message, kind, reason, signals))


def little_mask(field: Field, length: int) -> int:
    """The field's bits in the payload read as a little-endian integer of `length` bytes."""
    mask = field.mask << field.shift
    if not field.big:
        return mask
    return int.from_bytes(mask.to_bytes(length, "big"), "little")


def bit_places(field: Field, length: int) -> tuple[int, ...]:
    """Absolute bit positions of a field, most significant first."""
    if not field.big:
        return tuple(range(field.start + field.size - 1, field.start - 1, -1))
    first = 8 * length - field.shift - field.size
    return tuple(k // 8 * 8 + 7 - k % 8 for k in range(first, first + field.size))
