"""The frames of a batch by message, and the places where something may be new."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from bench.core.signal import Observation
from bench.definitions import Definitions
from bench.definitions.bulk import ControlRows, PageRows, Words, sort_frames
from bench.definitions.controls import Carrier, Heartbeat, LevelKeys, Several
from bench.definitions.database import Field
from bench.definitions.observers import Observer, Page, little_mask
from bench.judge import Judge
from bench.judge.current import SUPPLY_MOVED_V, CurrentJudge
from bench.session.columns import DATA, OTHER

from .agenda import FOREVER
from .lost import Limit
from .nodes import Bus, Message
from .told import MARK, Batch

WATCHED = ("state", "level", "fault", "lamp", "current", "backlight")  # kinds that must be available
LEAST = 24  # shorter stretches are not worth it
Places = NDArray[np.intp]
Floats = NDArray[np.float64]
Find = Callable[[Floats, NDArray[np.int64]], Places]


class Track:
    """Some frames of a batch in the order told: their places in it, `rows`, stamps, and from each stamp the
    step to the next."""

    def __init__(self, rows: Places, batch: Batch) -> None:
        self.rows = rows
        self.t_ns = batch.t_ns.take(rows)
        self.steps_ns = self.t_ns[1:] - self.t_ns[:-1]
        self._asked, self._answer = 0, 0

    def next_from(self, place: int) -> int:
        """Number, on the track, of its first frame at `place` or after."""
        if place != self._asked:
            self._asked, self._answer = place, int(self.rows.searchsorted(place))
        return self._answer

    def due_ns(self, place: int, until_ns: int) -> int:
        """When it is missed, where its next frame from `place` on should come by `until_ns`."""
        i = self.next_from(place)
        return FOREVER if i < self.t_ns.size and self.t_ns[i] <= until_ns else until_ns + 1


class PageFacts:
    """What the judge wants of one page. `watched`: observers of signals that it may want to see again, with
    their `bits`; `others`: whose values cannot change anything while they can be read.

    `is_shared`: another message shows some of its signals too.
    """

    def __init__(self, page: Page, message: Message, definitions: Definitions, judge: Judge) -> None:
        self.message = message
        self.signals = frozenset(page.signals)
        self.bits = page.extra_bits
        self.boots = len(page.counters) > 1  # or it tells of a boot: each is to be looked at
        watched: list[str] = []
        self.currents: list[tuple[CurrentJudge, Observer]] = []
        self.supplies: list[Observer] = []
        self.others: list[tuple[Observer, bool]] = []
        for o in page.body:
            kind = o.signal.partition(":")[0]
            if kind == "boot":
                self.boots = True
            elif o.signal in judge.currents:
                self.currents.append((judge.currents[o.signal], o))
            elif judge.follows(o.signal):
                self.bits |= little_mask(o.field, page.length)
                watched.append(o.signal)
            elif kind == "supply_v":
                self.supplies.append(o)
            else:
                self.others.append((o, kind in WATCHED))
        self.watched = tuple(dict.fromkeys(watched))
        self.counter = page.counters[0] if page.counters else None
        self.sizes: dict[int, int] = {}  # bits -> how many signals they show
        self.is_shared = any(len(definitions.messages_of.get(s, ())) > 1 for s in self.watched)


class Lane(Track):
    """The frames of one page of one box."""

    def __init__(self, facts: PageFacts, rows: PageRows, batch: Batch) -> None:
        super().__init__(rows.rows, batch)
        self.facts = facts
        self.message = facts.message
        self.currents: list[tuple[CurrentJudge, Floats]] = []
        self.supplies: list[Floats] = []
        self.counter: NDArray[np.int64] | None = None
        self.seen: NDArray[np.uint64] = np.zeros(0, np.uint64)  # what the facts' bits are in each frame
        self._odd: dict[str, tuple[object, Places]] = {}
        self._right: dict[
            str, tuple[int, NDArray[np.bool_]]
        ] = {}  # current -> a frame, which are right from it on

    def is_settled(self, judge: Judge, reported: Mapping[str, Observation], bus: Bus) -> bool:
        """Whether the same frame again would change nothing."""
        if self.message.missing or bus.counted(self.message).same:
            return False
        if self.facts.is_shared:
            return self.message.name in judge.calm.payloads
        calm = judge.calm
        for signal in self.facts.watched:
            seen = reported.get(signal)
            if seen is not None and (seen[1] is None or calm.get(signal) != seen[1]):
                return False
        return True

    def first_odd(self, i: int, volts: Iterable[tuple[float, float]]) -> int:
        """Place of the first frame, from the i-th on, with a current outside its band or another supply; far
        off when there is none."""
        first = FOREVER
        for current, values in self.currents:
            if current.version != current.cluster.version:
                current.look()
            key = current.from_ns, current.limits
            if current.limits is not None:
                first = min(first, self._first(current.rule.signal, key, i, values, current.is_odd))
        if self.supplies:
            now = frozenset(volts)
            for n, values in enumerate(self.supplies):
                first = min(first, self._first(f"supply {n}", now, i, values, _moved_from(now)))
        return first

    def _first(self, name: str, key: object, i: int, values: Floats, find: Find) -> int:
        """The first odd place from the i-th frame on; where all are is remembered for a `key`."""
        kept = self._odd.get(name)
        if kept is None or kept[0] != key:
            self._right.pop(name, None)
            kept = self._odd[name] = key, find(values[i:], self.t_ns[i:]) + i
        at = int(kept[1].searchsorted(i)) if kept[1].size else 0
        return int(self.rows[kept[1][at]]) if at < kept[1].size else FOREVER

    def pass_currents(self, i: int, j: int) -> None:
        """Tell of the readings of frames i to j (not included), none of which is odd."""
        for current, values in self.currents:
            if current.limits is None:
                continue
            name = current.rule.signal
            kept = self._right.get(name)
            if kept is None:
                first = max(i, int(self.t_ns.searchsorted(current.from_ns)))
                kept = self._right[name] = first, current.are_right(values[first:])
            a, b = max(i - kept[0], 0), j - kept[0]
            if b > a:
                right = int(np.count_nonzero(kept[1][a:b]))
                current.passed(right, b - a - right)


def _moved_from(volts: Iterable[tuple[float, float]]) -> Find:
    lows = sorted({low for low, _ in volts})

    def moved(values: Floats, t_ns: NDArray[np.int64]) -> Places:
        away = np.isnan(values)
        for low in lows:
            away |= np.abs(values - low) > SUPPLY_MOVED_V
        return np.flatnonzero(away)

    return moved


class Lanes:
    """A batch sorted out. `stops`: places, rising, whose entries must be told one by one. `nodes`: the frames
    of each box, `signs`: of each panel, screen and sensor.

    `counts`: message of keys or sensors sent as levels -> its frames and what they count.
    `limits`: panel, screen or sensor -> after how long a silence it is lost.
    `last`: message -> the bits of it that were seen last, and `facts` of its pages: kept from batch to batch.
    """

    def __init__(
        self,
        batch: Batch,
        definitions: Definitions,
        judge: Judge,
        bus: Bus,
        limits: Mapping[str, Limit],
        last: dict[str, int],
        facts: dict[str, PageFacts],
    ) -> None:
        self._batch, self._judge, self._bus, self._last = batch, judge, bus, last
        self._facts = facts
        self._stops: list[Places] = []
        self._end_ns = int(batch.t_ns[-1])
        data = np.flatnonzero(batch.kind == DATA)
        whole = data.size == len(batch)
        sorted_ = sort_frames(
            definitions,
            batch.can_id if whole else batch.can_id[data],
            batch.payload if whole else batch.payload[data],
            batch.length if whole else batch.length[data],
        )
        back = (lambda rows: rows) if whole else data.take
        self._stops.append(back(sorted_.odd))
        self._stops.append(np.flatnonzero((batch.kind == MARK) | (batch.kind == OTHER) | batch.sent))
        self.lanes = list(self._lanes(sorted_.pages, back, definitions))
        self.counts: dict[str, tuple[Track, NDArray[np.int64]]] = {}
        self.signs = self._signs(sorted_.controls, back)
        self._counters()
        self._silences(limits.values())
        stops = _merged(self._stops, len(batch))
        self.stops: list[int] = stops.tolist()
        self._gaps: Places = stops[np.diff(stops, append=len(batch)) > LEAST]

    def next_stop(self, place: int) -> int:
        """The first stop at `place` or after; the length of the batch when there is none."""
        at = bisect_left(self.stops, place)
        return self.stops[at] if at < len(self.stops) else len(self._batch)

    def next_gap(self, place: int) -> int:
        """From where on, at `place` or after, there are no stops for a while."""
        if self.next_stop(place) - place >= LEAST:
            return place
        at = int(self._gaps.searchsorted(place))
        return int(self._gaps[at]) + 1 if at < self._gaps.size else len(self._batch)

    # ---- boxes
    def _lanes(
        self, pages: list[PageRows], back: Callable[[Places], Places], definitions: Definitions
    ) -> Iterator[Lane]:
        for found in pages:
            rows = found._replace(words=found.words._replace(rows=back(found.rows)))
            facts = self._facts.get(found.page.message)
            if facts is None:
                message = self._bus.messages.get(found.page.message)
                if message is None:
                    self._stops.append(rows.rows)
                    continue
                facts = PageFacts(found.page, message, definitions, self._judge)
                self._facts[found.page.message] = facts
            lane = Lane(facts, rows, self._batch)
            self._sort_signals(lane, rows)
            yield lane

    def _sort_signals(self, lane: Lane, rows: PageRows) -> None:
        page, facts = rows.page, lane.facts
        odd = np.full(rows.rows.size, facts.boots)
        for current, o in facts.currents:
            values, wrong = rows.values(o)
            lane.currents.append((current, values))
            odd |= wrong | np.isnan(values)
        for o in facts.supplies:
            values, wrong = rows.values(o)
            lane.supplies.append(values)
            odd |= wrong
        for o, is_wanted in facts.others:
            values, wrong = rows.values(o)
            odd |= wrong | np.isnan(values) if is_wanted else wrong
        seen = lane.seen = rows.words.little & np.uint64(facts.bits)
        odd[1:] |= seen[1:] != seen[:-1]
        odd[0] |= self._last.get(page.message) != int(seen[0])
        self._last[page.message] = int(seen[-1])
        if facts.counter is not None:
            lane.counter = rows.raw(facts.counter)
            values, wrong = rows.values(facts.counter)
            odd |= wrong | np.isnan(values)
        if odd.any():
            self._stops.append(rows.rows[odd])

    def _counters(self) -> None:
        """Wherever a counter does not go on by one."""
        groups: dict[int, list[Lane]] = {}
        for lane in self.lanes:
            if lane.counter is not None:
                groups.setdefault(id(self._bus.counted(lane.message)), []).append(lane)
        for lanes in groups.values():
            rows = np.concatenate([lane.rows for lane in lanes])
            counts = np.concatenate([lane.counter for lane in lanes if lane.counter is not None])
            order = np.argsort(rows, kind="stable")
            rows, counts = rows[order], counts[order]
            message = self._bus.counted(lanes[0].message)
            before = counts[0] if message.counter is None else message.counter
            steps = np.diff(counts, prepend=before) & ((1 << message.counter_bits) - 1)
            broken = steps != 1
            if broken.any():
                self._stops.append(rows[broken])

    # ---- controls
    def _signs(self, controls: list[ControlRows], back: Callable[[Places], Places]) -> dict[str, Track]:
        nodes: dict[str, list[Places]] = {}
        for found in controls:
            parts = found.reader.parts if isinstance(found.reader, Several) else (found.reader,)
            rows = back(found.rows)
            nodes.setdefault(parts[0].carrier.node, []).append(rows)
            odd = ~found.fits
            levels = [p for p in parts if isinstance(p, LevelKeys)]
            if levels and levels[0].carrier.counter is not None:
                odd |= self._miscounted(levels[0].carrier, levels[0].carrier.counter, found, rows)
            if len(levels) + sum(isinstance(p, Heartbeat) for p in parts) < len(parts):
                odd[:] = True
            elif levels:
                odd |= self._levels_changed(levels, found)
            if odd.any():
                self._stops.append(rows[odd])
        return {n: Track(_merged(r, len(self._batch)), self._batch) for n, r in nodes.items()}

    def _miscounted(
        self, carrier: Carrier, where: Field, found: ControlRows, rows: Places
    ) -> NDArray[np.bool_]:
        """Where frames of levels do not count on by one."""
        counts = Words(rows, found.little).take(where, carrier.length).astype(np.int64)
        name = f"count {carrier.name}"
        steps = np.diff(counts, prepend=self._last.get(name, int(counts[0]) - 2)) & where.mask
        self._last[name] = int(counts[-1])
        self.counts[carrier.name] = Track(rows, self._batch), counts
        broken: NDArray[np.bool_] = steps != 1
        return broken

    def _levels_changed(self, levels: list[LevelKeys], found: ControlRows) -> NDArray[np.bool_]:
        bits, length = 0, levels[0].carrier.length
        for where in (w for p in levels for w in p.places.values()):
            bits |= little_mask(where, length)
        seen = found.little & np.uint64(bits)
        odd = np.zeros(seen.size, bool)
        odd[1:] = (seen[1:] != seen[:-1]) | ~found.fits[:-1]  # after one that cannot be read all may be new
        name = f"control {levels[0].carrier.name}"
        odd[0] = self._last.get(name) != int(seen[0])
        self._last[name] = int(seen[-1]) if found.fits[-1] else -1
        for value in np.unique(seen).tolist():
            data = value.to_bytes(8, "little")[:length]
            if not all(p.is_plain(data) for p in levels):
                odd |= seen == value
        return odd

    # ---- silence
    def _silences(self, limits: Iterable[Limit]) -> None:
        """Where something does not come that should."""
        by_node: dict[str, list[Places]] = {}
        for lane in self.lanes:
            by_node.setdefault(lane.message.node, []).append(lane.rows)
            if lane.message.cycle_ns:
                self._silence(lane, lane.message.limit_ns + 1)
        self.nodes = {n: Track(_merged(r, len(self._batch)), self._batch) for n, r in by_node.items()}
        for name, node in self.nodes.items():
            self._silence(node, self._bus.nodes[name].limit_ns + 1)
        for sender, lost_ns, near_ns in limits:
            if sender in self.signs:
                track = self.signs[sender]
                self._silence(track, lost_ns)
                self._stops.append(track.rows[1:][track.steps_ns >= near_ns])

    def _silence(self, track: Track, limit_ns: int) -> None:
        t_ns = track.t_ns
        late = t_ns[:-1][track.steps_ns >= limit_ns]
        for due in (late + limit_ns, t_ns[-1:] + limit_ns):
            if due.size and due[0] <= self._end_ns:
                places = self._batch.t_ns.searchsorted(due)
                self._stops.append(places[places < len(self._batch)])


def _merged(parts: list[Places], length: int) -> Places:
    """Places of several tracks of a batch of this length, rising."""
    here = np.zeros(length, bool)
    for part in parts:
        here[part] = True
    return np.flatnonzero(here)
