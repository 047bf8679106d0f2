"""Puts the boxes' frames on a bus of 250 kbit/s: cyclic, on change, one at a time, lower id first."""

from __future__ import annotations

import heapq
import random
from collections.abc import Mapping

from bench.core.frame import Frame
from bench.twin.electrics import POOL, Electrics
from bench.twin.packing import Place, Sender, Subject, build
from bench.twin.quirks import Quirks
from bench.twin.tables import Tables

NEVER = 1 << 62

_new_frame = tuple.__new__  # half the time of the class's own
_REST = tuple(Frame._field_defaults[n] for n in Frame._fields[4:])


class Bus:
    """The schedule of all senders. `values` holds what changes rarely: (box, kind) -> number."""

    def __init__(self, tables: Tables, quirks: Quirks, electrics: Electrics, rng: random.Random) -> None:
        self.quirks, self.electrics = quirks, electrics
        self.rng = random.Random(rng.random())
        self.senders, self.targets = build(tables.frames)
        self.alive = {b.name: False for b in tables.boxes}
        self.values: dict[tuple[str, str], float] = {}
        self.booted_ns = {b.name: 0 for b in tables.boxes}
        self.start_ns = 0
        self.free_ns = 0
        self.out: list[Frame] = []
        self._heap: list[tuple[int, int]] = []
        self._late: list[tuple[int, int, int, bytes, bool, int]] = []  # due, order, id, data, ext, life
        self._waiting: list[tuple[int, int, int, bytes, bool]] = []  # id, order, life, data, extended
        self._order = 0
        self._flying: Frame | None = None
        self._flying_end = NEVER
        self._idle_since = 0
        self._noise_at = rng.randrange(POOL)
        self._currents: list[list[tuple[int, Place, float, float, bool]]] = []
        self._others: list[list[tuple[str, Place]]] = []
        self._node_index = {n.address: i for i, n in enumerate(tables.nodes)}
        boxes = {b.name: b for b in tables.boxes}
        for sender in self.senders:
            box = boxes[sender.box]
            currents, others = [], []
            for kind, number, place in sender.dynamic:
                if kind != "current":
                    others.append((kind, place))
                    continue
                c = box.first + number - 1
                there = number <= box.channels and ("current", c) not in quirks.unavailable
                factor = box.sense.step_a / place.per_count
                currents.append((c, place, factor, box.sense.noise_a / box.sense.step_a, there))
            self._currents.append(currents)
            self._others.append(others)
            sender.quirky = self._is_quirky(sender.name)

    def _is_quirky(self, name: str) -> bool:
        q = self.quirks
        named: tuple[Mapping[str, object] | set[str], ...] = (
            *(q.stuck_counter, q.stopped_frames, q.wrong_length, q.lost_share, q.late_frames_ms),
        )
        return bool(q.silent or q.repeated_share) or any(name in where for where in named)

    # ---- schedule

    def start_box(self, box: str, now_ns: int, boots: bool) -> None:
        """The box works from now on: its boot frame first, then cyclic frames, spread over their cycles."""
        self.alive[box] = True
        self.booted_ns[box] = now_ns
        for sender in self.senders:
            if sender.box != box:
                continue
            sender.counter[0], sender.due = -1, NEVER
            if boots:
                sender.last = now_ns
            if sender.row.when == "boot":
                if boots:
                    self._put(now_ns, sender)
            elif sender.cycle_ns:
                self._at(now_ns + self.rng.randrange(1000, sender.cycle_ns) // 1000 * 1000, sender)

    def stop_box(self, box: str) -> None:
        """Its supply went, or it restarts: nothing more from it."""
        self.alive[box] = False
        ids = {(s.can_id, s.extended) for s in self.senders if s.box == box}
        self._waiting = [w for w in self._waiting if (w[0], w[4]) not in ids]
        heapq.heapify(self._waiting)
        if self._flying and (self._flying.can_id, self._flying.extended) in ids:
            self._flying, self._flying_end = None, NEVER
        for sender in self.senders:
            if sender.box == box:
                sender.due = NEVER

    def _at(self, t_ns: int, sender: Sender) -> None:
        sender.due = t_ns
        heapq.heappush(self._heap, (t_ns, sender.index))

    def changed(self, sender: Sender, now_ns: int) -> None:
        """A payload changed: send at once, but not sooner than the spacing allows."""
        if not sender.spacing_ns or not self.alive[sender.box] or sender.name in self.quirks.no_on_change:
            return
        due = max(now_ns, sender.last + sender.spacing_ns)
        if due < sender.due:
            self._at(due, sender)

    def show(self, subject: Subject, value: float | None, now_ns: int) -> None:
        """A value to be seen in frames; None: not available."""
        for sender, place in self.targets.get(subject, ()):
            if sender.set(place, place.absent if value is None else place.raw(value)):
                self.changed(sender, now_ns)

    def acknowledge(self, box: str, source: int, key: int, counter: int, now_ns: int) -> None:
        """Acknowledge a key event."""
        if not self.alive[box]:
            return
        self.values[box, "ack_source"], self.values[box, "ack_key"] = source, key
        self.values[box, "ack_counter"] = counter
        self.values[box, "ack_node"] = self._node_index.get(source, 0)
        for sender in self.senders:
            if sender.acks and sender.box == box:
                self._put(now_ns, sender)

    @property
    def next_due(self) -> int:
        """Next instant at which the schedule or a running frame does something."""
        due = self._heap[0][0] if self._heap else NEVER
        if self._waiting and self._flying is None:
            due = min(due, max(self._idle_since, self.free_ns))
        return min(due, self._flying_end)

    # ---- the bus

    def run(self, limit_ns: int, work_ns: int) -> None:
        """Everything up to `limit_ns`, before the firmware's next work."""
        heap, waiting, senders, out = self._heap, self._waiting, self.senders, self.out
        while True:
            due = heap[0][0] if heap else NEVER
            following = due if due < work_ns else work_ns
            flying = self._flying
            if flying is None:
                if waiting and following > self._idle_since and self._idle_since <= limit_ns:
                    self._fly()
                    continue
            elif self._flying_end < following:
                if self._flying_end > limit_ns:
                    return
                out.append(flying)
                self._idle_since, self._flying, self._flying_end = self._flying_end, None, NEVER
                continue
            if due >= work_ns or due > limit_ns:
                return
            index = heapq.heappop(heap)[1]
            if index < 0:
                _, _, can_id, data, extended, life = heapq.heappop(self._late)
                self.queue(due, can_id, data, extended, life)
                continue
            sender = senders[index]
            if sender.due == due:
                if sender.cycle_ns:
                    sender.due = again = due + sender.cycle_ns
                    heapq.heappush(heap, (again, index))
                else:
                    sender.due = NEVER
                self._put(due, sender)

    def _fly(self) -> None:
        can_id, _, life, data, extended = heapq.heappop(self._waiting)
        end = -(-max(self._idle_since, self.free_ns) // 1000) * 1000 + life
        self._flying_end = end
        self._flying = _new_frame(Frame, (end, can_id, data, extended, *_REST))

    def _put(self, now_ns: int, sender: Sender) -> None:
        """Compose a frame and hand it to the bus."""
        sender.last = now_ns
        value = sender.value
        place = sender.count_place
        if place is not None:
            sender.counter[0] = count = (sender.counter[0] + 1) & place.mask
            value |= place.put(count)
        if currents := self._currents[sender.index]:
            value |= self._read_currents(currents, now_ns)
        if others := self._others[sender.index]:
            for kind, where in others:
                value |= where.put(where.raw(self._value(kind, sender.box, now_ns)))
        data = value.to_bytes(sender.size, sender.order)
        if sender.quirky:
            self._put_quirky(now_ns, sender, data)
            return
        self.queue(now_ns, sender.can_id, data, sender.extended, sender.life_ns)

    def queue(self, now_ns: int, can_id: int, data: bytes, extended: bool, life_ns: int) -> None:
        """A frame waits for the bus."""
        if not self._waiting and self._flying is None:
            self._idle_since = now_ns
        self._order += 1
        heapq.heappush(self._waiting, (can_id, self._order, life_ns, data, extended))

    def _read_currents(self, currents: list[tuple[int, Place, float, float, bool]], now_ns: int) -> int:
        electrics = self.electrics
        if electrics.moving:
            electrics.refresh(now_ns)
        counts, noise, at = electrics.counts, electrics.noise, self._noise_at
        value = 0
        for c, place, factor, rough, there in currents:
            if not there:
                value |= place.put(place.absent)
                continue
            at += 1
            if at == POOL:
                at = 0
            amps = (counts[c] + noise[at] * rough) * factor - place.offset / place.per_count
            if amps >= 0.5:
                raw = int(amps + 0.5)
                value |= place.put(raw if raw < place.mask else place.mask)
        self._noise_at = at
        return value

    def _value(self, kind: str, box: str, now_ns: int) -> float:
        electrics = self.electrics
        if kind == "volts":
            if electrics.moving:
                electrics.refresh(now_ns)
            volts = electrics.volts * (1.0 + self.quirks.volts_gain_pct / 100.0)
            return max(0.0, volts + 0.01 * electrics.noise[(now_ns // 1000) % POOL])
        if kind == "total":
            if electrics.moving:
                electrics.refresh(now_ns)
            return electrics.box_total(box)
        if kind == "uptime":
            return float((now_ns - self.booted_ns[box]) // 1_000_000_000)
        return self.values.get((box, kind), 0.0)

    # ---- defects of the bus

    def _put_quirky(self, now_ns: int, sender: Sender, data: bytes) -> None:
        quirks, name, life = self.quirks, sender.name, sender.life_ns
        since_ms = (now_ns - self.start_ns) * 1e-6
        if since_ms >= quirks.silent.get(sender.box, 1e18) or since_ms >= quirks.stopped_frames.get(
            name, 1e18
        ):
            return
        if name in quirks.stuck_counter and sender.count_place is not None:
            mask, zero = sender.count_place.put(sender.count_place.mask), sender.count_place.put(7)
            whole = int.from_bytes(data, sender.order) & ~mask | zero
            data = whole.to_bytes(sender.size, sender.order)
        if self.rng.random() < quirks.lost_share.get(name, 0.0):
            return
        data = data[: quirks.wrong_length.get(name, len(data))]
        if late_ms := quirks.late_frames_ms.get(name):
            due, self._order = now_ns + int(late_ms * 1e6), self._order + 1
            heapq.heappush(self._late, (due, self._order, sender.can_id, data, sender.extended, life))
            heapq.heappush(self._heap, (due, -1))
            return
        self.queue(now_ns, sender.can_id, data, sender.extended, life)
        if self.rng.random() < quirks.repeated_share:
            self.queue(now_ns, sender.can_id, data, sender.extended, life)
