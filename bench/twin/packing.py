"""Frames as the box packs them: one integer per frame, whose fields are updated when they change."""

from __future__ import annotations

from typing import Literal

from bench.twin.tables import FieldRow, FrameRow

# worst-case bits on the bus with stuffing: 80 + 10 n extended, 55 + 10 n standard (Davis, Burns, Bril,
# Lukkien 2007, eq. 1-3), and 3 bits between frames; 4 us a bit at 250 kbit/s
_BIT_NS = 4000

STATIC = frozenset(("state", "level", "fault", "lamp", "backlight", "input"))


def duration_ns(size: int, extended: bool) -> int:
    """Worst-case time of a frame on the bus at 250 kbit/s."""
    return (80 if extended else 55) * _BIT_NS + 10 * size * _BIT_NS


class Place:
    """Where a value stands in its sender's integer, and how it is coded."""

    __slots__ = ("absent", "big", "codes", "mask", "offset", "per_count", "shift", "size", "swap")

    def __init__(self, field: FieldRow, index: int, frame: FrameRow, big: bool) -> None:
        self.size, self.big = frame.size, field.big
        start = field.bit + index * field.step
        if field.big:
            top = (start // 8) * 8 + 7 - start % 8
            self.shift = 8 * frame.size - top - field.width
        else:
            self.shift = start
        self.swap = field.big != big
        self.mask = (1 << field.width) - 1
        self.codes, self.per_count, self.offset = field.codes, field.per_count, field.offset
        self.absent = self.mask if field.absent is None else field.absent

    def raw(self, value: float) -> int:
        """Raw value of a physical one, held inside the field."""
        if self.codes:
            return self.codes[int(value)] if int(value) < len(self.codes) else self.absent
        raw = int((value - self.offset) / self.per_count + 0.5)
        return 0 if raw < 0 else min(raw, self.mask)

    def put(self, raw: int) -> int:
        """The raw value at its place in the sender's integer."""
        bits = (raw & self.mask) << self.shift
        if not self.swap:
            return bits
        if self.big:
            return int.from_bytes(bits.to_bytes(self.size, "big"), "little")
        return int.from_bytes(bits.to_bytes(self.size, "little"), "big")


class Sender:
    """One frame a box sends, with its payload kept ready."""

    __slots__ = (
        *("acks", "box", "can_id", "count_place", "counter", "cycle_ns", "due", "dynamic", "extended"),
        *("index", "last", "life_ns", "name", "order", "quirky", "row", "size", "spacing_ns", "value"),
    )

    def __init__(self, row: FrameRow, index: int) -> None:
        self.row, self.index, self.name, self.box = row, index, row.name, row.box
        self.can_id, self.extended, self.size = row.id, not row.standard, row.size
        self.cycle_ns, self.spacing_ns = int(row.cycle_ms * 1e6), int(row.on_change_ms * 1e6)
        self.due, self.last = 0, -(10**12)
        self.counter = [-1]  # shared by the pages of a multiplexed frame
        self.life_ns = duration_ns(row.size, self.extended)
        self.order: Literal["big", "little"] = (
            "big" if row.fields and all(f.big for f in row.fields) else "little"
        )
        self.value = (1 << 8 * row.size) - 1 if row.fill else 0
        self.count_place: Place | None = None
        self.dynamic: list[tuple[str, int, Place]] = []  # kind, channel (0 none), place
        self.acks = row.when == "ack"
        self.quirky = False

    def set(self, place: Place, raw: int) -> bool:
        """Put a raw value; True when the payload differs from before."""
        value = self.value & ~place.put(place.mask) | place.put(raw)
        if value == self.value:
            return False
        self.value = value
        return True


Target = tuple[Sender, Place]
Subject = tuple[str, str, int]  # kind, box or node, number


def build(frames: tuple[FrameRow, ...]) -> tuple[list[Sender], dict[Subject, list[Target]]]:
    """Senders, and for each subject the places that show it; numbers are a box's own, from 1."""
    senders: list[Sender] = []
    targets: dict[Subject, list[Target]] = {}
    counters: dict[tuple[int, bool], list[int]] = {}
    for index, row in enumerate(frames):
        sender = Sender(row, index)
        sender.counter = counters.setdefault((row.id, row.standard), sender.counter)
        senders.append(sender)
        for field in row.fields:
            for i in range(field.last - field.first + 1):
                place = Place(field, i, row, sender.order == "big")
                _add(sender, place, field, field.first + i, targets)
    return senders, targets


def _add(
    sender: Sender, place: Place, field: FieldRow, number: int, targets: dict[Subject, list[Target]]
) -> None:
    if field.kind == "constant":
        sender.set(place, field.value)
    elif field.kind in STATIC:
        owner = field.node if field.kind == "lamp" else sender.box
        targets.setdefault((field.kind, owner, number), []).append((sender, place))
        sender.set(place, place.absent)
    elif field.kind == "counter":
        sender.count_place = place
        sender.set(place, 0)
    else:
        sender.dynamic.append((field.kind, number if field.kind == "current" else 0, place))
        sender.set(place, 0)
