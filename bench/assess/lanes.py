"""The frames of a batch by message, and the places where something may be new."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from bench.core.signal import Observation
from bench.definitions import Definitions
from bench.definitions.bulk import ControlRows, PageRows, sort_frames
from bench.definitions.controls import Heartbeat, LevelKeys
from bench.definitions.observers import Page, little_mask
from bench.judge import Judge
from bench.judge.current import CurrentJudge
from bench.session.columns import DATA, OTHER

from .agenda import FOREVER
from .nodes import Bus, Message
from .told import MARK, Batch

WATCHED = ("state", "level", "fault", "lamp", "current", "backlight")  # kinds that must be available
Places = NDArray[np.intp]
Floats = NDArray[np.float64]


class Track:
    """Some frames of a batch in the order told: their `places` in it and stamps `t_ns`."""

    def __init__(self, rows: Places, batch: Batch) -> None:
        self.rows = rows
        self.places: list[int] = rows.tolist()
        self.t_ns: list[int] = batch.t_ns[rows].tolist()

    def next_from(self, place: int) -> int:
        """Number, on the track, of its first frame at `place` or after."""
        return bisect_left(self.places, place)

    def due_ns(self, place: int, until_ns: int) -> int:
        """When it is missed, where its next frame from `place` on should come by `until_ns`."""
        i = self.next_from(place)
        return FOREVER if i < len(self.t_ns) and self.t_ns[i] <= until_ns else until_ns + 1


class Lane(Track):
    """The frames of one page of one box. `watched`: signals that the judge may want to see again."""

    def __init__(self, rows: PageRows, batch: Batch, message: Message) -> None:
        super().__init__(rows.rows, batch)
        self.page: Page = rows.page
        self.message = message
        self.watched: tuple[str, ...] = ()
        self.signals = frozenset(rows.page.signals)
        self.is_shared = False  # another message shows some of its signals too
        self.currents: list[tuple[CurrentJudge, Floats]] = []
        self.supplies: list[Floats] = []
        self.counter: NDArray[np.int64] | None = None
        self._bad: dict[str, tuple[object, list[int]]] = {}

    def is_settled(self, judge: Judge, reported: Mapping[str, Observation], bus: Bus) -> bool:
        """Whether the same frame again would change nothing."""
        if self.message.missing or bus.counted(self.message).same:
            return False
        if self.is_shared:
            return self.message.name in judge.calm.payloads
        calm = judge.calm
        for signal in self.watched:
            seen = reported.get(signal)
            if seen is not None and (seen[1] is None or calm.get(signal) != seen[1]):
                return False
        return True

    def first_odd(self, i: int, volts: Iterable[tuple[float, float]]) -> int:
        """Place of the first frame, from the i-th on, with a current outside its band or another supply; far
        off when there is none."""
        found: list[int] = []
        for current, values in self.currents:
            if current.version != current.cluster.version:
                current.look()
            key: object = current.from_ns, current.limits
            found += self._odd(current.rule.signal, key, i, values, current.is_odd)
        if self.supplies:
            now = frozenset(volts)
            for n, values in enumerate(self.supplies):
                found += self._odd(f"supply {n}", now, i, values, _moved_from(now))
        return min(found, default=FOREVER)

    def _odd(
        self,
        name: str,
        key: object,
        i: int,
        values: Floats,
        is_odd: Callable[[Floats, NDArray[np.int64]], Places],
    ) -> list[int]:
        """The first of the odd places from the i-th frame on; where all are is remembered for a `key`."""
        kept = self._bad.get(name)
        if kept is None or kept[0] != key:
            stamps = np.array(self.t_ns[i:], np.int64)
            kept = self._bad[name] = key, (is_odd(values[i:], stamps) + i).tolist()
        at = bisect_left(kept[1], i)
        return [self.places[kept[1][at]]] if at < len(kept[1]) else []


def _moved_from(volts: Iterable[tuple[float, float]]) -> Callable[[Floats, NDArray[np.int64]], Places]:
    lows = sorted({low for low, _ in volts})

    def moved(values: Floats, t_ns: NDArray[np.int64]) -> Places:
        away = np.isnan(values)
        for low in lows:
            away |= np.abs(values - low) > 0.1
        return np.flatnonzero(away)

    return moved


class Lanes:
    """A batch sorted out. `stops`: places, rising, whose entries must be told one by one. `nodes`: the frames
    of each box, `signs`: of each panel, screen and sensor.

    `limits_ns`: panel, screen or sensor -> after how long it is lost, and how long a silence is surely none.
    `last`: message -> the bits of it that were seen last, kept from batch to batch.
    """

    def __init__(
        self,
        batch: Batch,
        definitions: Definitions,
        judge: Judge,
        bus: Bus,
        limits_ns: Mapping[str, tuple[int, int]],
        last: dict[str, int],
    ) -> None:
        self._batch, self._judge, self._bus, self._last = batch, judge, bus, last
        self._stops: list[Places] = []
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
        self.signs = self._signs(sorted_.controls, back)
        self._counters()
        self._silences(limits_ns)
        places = np.unique(np.concatenate(self._stops))
        self.stops: list[int] = places.tolist()

    def next_stop(self, place: int) -> int:
        """The first stop at `place` or after; the length of the batch when there is none."""
        at = bisect_left(self.stops, place)
        return self.stops[at] if at < len(self.stops) else len(self._batch)

    # ---- boxes
    def _lanes(
        self, pages: list[PageRows], back: Callable[[Places], Places], definitions: Definitions
    ) -> Iterator[Lane]:
        for found in pages:
            rows = found._replace(words=found.words._replace(rows=back(found.rows)))
            message = self._bus.messages.get(found.page.message)
            if message is None:
                self._stops.append(rows.rows)
                continue
            lane = Lane(rows, self._batch, message)
            self._sort_signals(lane, rows)
            lane.is_shared = any(len(definitions.messages_of.get(s, ())) > 1 for s in lane.watched)
            yield lane

    def _sort_signals(self, lane: Lane, rows: PageRows) -> None:
        page, judge = rows.page, self._judge
        bits, watched = page.extra_bits, []
        odd = np.zeros(rows.rows.size, bool)
        for o in page.body:
            kind = o.signal.partition(":")[0]
            if kind == "boot":
                odd[:] = True
            elif o.signal in judge.currents:
                values, wrong = rows.values(o)
                lane.currents.append((judge.currents[o.signal], values))
                odd |= wrong | np.isnan(values)
            elif judge.follows(o.signal):
                bits |= little_mask(o.field, page.length)
                watched.append(o.signal)
            elif kind == "supply_v":
                values, wrong = rows.values(o)
                lane.supplies.append(values)
                odd |= wrong
            else:
                values, wrong = rows.values(o)
                odd |= wrong | np.isnan(values) if kind in WATCHED else wrong
        lane.watched = tuple(dict.fromkeys(watched))
        seen = rows.words.little & np.uint64(bits)
        odd[1:] |= seen[1:] != seen[:-1]
        odd[0] |= self._last.get(page.message) != int(seen[0])
        self._last[page.message] = int(seen[-1])
        if len(page.counters) > 1:
            odd[:] = True
        elif page.counters:
            lane.counter = rows.raw(page.counters[0])
            values, wrong = rows.values(page.counters[0])
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
            parts = getattr(found.reader, "parts", (found.reader,))
            rows = back(found.rows)
            nodes.setdefault(parts[0].carrier.node, []).append(rows)
            odd = ~found.fits
            if not all(isinstance(p, Heartbeat | LevelKeys) for p in parts):
                odd[:] = True
            elif any(isinstance(p, LevelKeys) for p in parts):
                odd |= self._levels_changed(parts, found)
            if odd.any():
                self._stops.append(rows[odd])
        return {n: Track(np.sort(np.concatenate(r)), self._batch) for n, r in nodes.items()}

    def _levels_changed(
        self, parts: tuple[Heartbeat | LevelKeys, ...], found: ControlRows
    ) -> NDArray[np.bool_]:
        bits = 0
        for part in parts:
            for where in part.places.values() if isinstance(part, LevelKeys) else ():
                bits |= little_mask(where, part.carrier.length)
        seen = found.little & np.uint64(bits)
        odd = np.zeros(seen.size, bool)
        odd[1:] = seen[1:] != seen[:-1]
        name = f"control {parts[0].carrier.name}"
        odd[0] = self._last.get(name) != int(seen[0])
        self._last[name] = int(seen[-1])
        for value in np.unique(seen).tolist():
            data = value.to_bytes(8, "little")[: parts[0].carrier.length]
            if any(isinstance(p, LevelKeys) and not p.is_plain(data) for p in parts):
                odd |= seen == value
        return odd

    # ---- silence
    def _silences(self, limits_ns: Mapping[str, tuple[int, int]]) -> None:
        """Where something does not come that should."""
        by_node: dict[str, list[Places]] = {}
        for lane in self.lanes:
            by_node.setdefault(lane.message.node, []).append(lane.rows)
            if lane.message.cycle_ns:
                self._silence(lane.rows, lane.message.limit_ns + 1)
        self.nodes = {n: Track(np.sort(np.concatenate(r)), self._batch) for n, r in by_node.items()}
        for name, node in self.nodes.items():
            self._silence(node.rows, self._bus.nodes[name].limit_ns + 1)
        for name, (lost_ns, near_ns) in limits_ns.items():
            if name in self.signs:
                rows = self.signs[name].rows
                self._silence(rows, lost_ns)
                late = np.diff(self._batch.t_ns[rows]) >= near_ns
                self._stops.append(rows[1:][late])

    def _silence(self, rows: Places, limit_ns: int) -> None:
        t_ns = self._batch.t_ns[rows]
        due = t_ns + limit_ns
        is_late = np.append(t_ns[1:] >= due[:-1], True)
        places = np.searchsorted(self._batch.t_ns, due[is_late])
        self._stops.append(places[places < len(self._batch)])
