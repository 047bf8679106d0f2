"""Judging a long recording: stretches in which nothing is new are passed over as a whole.

A stretch is passed over when every frame in it would leave the judge as it is: payloads that have settled,
counters that go on, currents inside their bands, signs of life in time, and nothing due meanwhile. All else
is told frame by frame. So the verdict is the same to the letter, which the tests hold against that.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from bench.core.entry import Entry
from bench.definitions import Definitions
from bench.judge import Judge

from .agenda import FOREVER
from .assessor import Assessor
from .lanes import LEAST, Lane, Lanes, PageFacts, Track
from .lost import Limit
from .told import Batch

SOON = 12  # entries told before looking again, where something is still unsettled


class Skim:
    """Tells an assessor batches. `tell`: takes one entry and its number; False: nothing more is wanted.
    `borders_ns`: instants at which the telling changes."""

    def __init__(
        self,
        assessor: Assessor,
        definitions: Definitions,
        tell: Callable[[Entry, int | None], bool],
        borders_ns: Sequence[int] = (),
    ) -> None:
        self._assessor, self._definitions, self._tell = assessor, definitions, tell
        self._borders_ns = borders_ns
        self._last: dict[str, int] = {}
        self._facts: dict[str, PageFacts] = {}

    def tell(self, batches: Iterator[Batch]) -> bool:
        """Tells everything; False when no more is wanted."""
        for batch in batches:
            place = 0
            while place < len(batch) and self._assessor.judge is None:
                if not self._one_by_one(batch, place, place + 1):
                    return False
                place += 1
            judge = self._assessor.judge
            if judge is not None and place < len(batch) and not self._batch(batch, place, judge):
                return False
        return True

    def _one_by_one(self, batch: Batch, start: int, stop: int) -> bool:
        return all(self._tell(entry, number) for entry, number in batch.entries(start, stop))

    def _batch(self, batch: Batch, place: int, judge: Judge) -> bool:
        assessor = self._assessor
        limits = assessor.lost.limits(assessor.jitter_ns)
        if place:
            batch = batch.at(slice(place, None))
        if len(batch) < LEAST:
            self._last.clear()
            return self._one_by_one(batch, 0, len(batch))
        lanes = Lanes(batch, self._definitions, judge, assessor.ears.bus, limits, self._last, self._facts)
        stretch = _Stretch(batch, lanes, assessor, judge, limits)
        place = 0
        while place < len(batch):
            end, is_settled = stretch.end(place, self._borders_ns)
            if end - place >= LEAST:
                stretch.pass_over(place, end)
                place = end
                continue
            until = max(end + 1, lanes.next_gap(place)) if is_settled else place + SOON
            until = min(until, len(batch))
            if not self._one_by_one(batch, place, until):
                stretch.report()
                return False
            place = until
        stretch.report()
        return True


class _Stretch:
    """How far the assessor may pass over a batch from some place on."""

    def __init__(
        self,
        batch: Batch,
        lanes: Lanes,
        assessor: Assessor,
        judge: Judge,
        limits: dict[str, Limit],
    ) -> None:
        self._batch, self._lanes, self._assessor, self._judge = batch, lanes, assessor, judge
        self._limits = limits
        self._lane_of = {lane.message.name: lane for lane in lanes.lanes}
        self._anew, self._due_ns = -1, 0  # when something is missed, as of that state of the bus
        self._unreported: dict[str, int] = {}  # message -> place of its last frame passed over
        self._lively = lanes.lanes[:1]  # the one unsettled last, which is likely to be so still
        self._none = Track(np.zeros(0, np.intp), batch)

    def end(self, place: int, borders_ns: Sequence[int]) -> tuple[int, bool]:
        """The place where it must stop, and whether all up to there has settled."""
        judge, end = self._judge, self._lanes.next_stop(place)
        if not self._is_quiet():
            return place, False
        if end - place < LEAST:
            return end, True
        bus = self._assessor.ears.bus
        if self._anew != bus.anew or self._due_ns < self._assessor.t_ns:
            self._anew, self._due_ns = bus.anew, self._missed_ns(place)
        due_ns = min(judge.wake_ns, self._assessor.agenda.at_ns, self._due_ns)
        for t_ns in (due_ns, *borders_ns):
            at = self._place_of(t_ns)
            if at >= place or t_ns is due_ns:
                end = min(end, max(at, place))
        end = min(end, self._return(place))
        return self._settled_until(place, end) if end - place >= LEAST else (end, True)

    def _is_quiet(self) -> bool:
        """Whether nothing but time and what lies in the batch can bring anything new."""
        assessor = self._assessor
        boots, nodes = assessor.boots, assessor.ears.bus.nodes.values()
        if self._judge.sleep or boots.expects or assessor.lost.waits or assessor.causes.waits:
            return False
        return all(n.awake and not n.silent and boots.awake(n.name) for n in nodes)

    def _settled_until(self, place: int, end: int) -> tuple[int, bool]:
        assessor, judge = self._assessor, self._judge
        is_settled, unavailable = True, assessor.ears.unavailable
        volts = [c.volts for c in judge.currents.values()]
        for lane in (*self._lively, *self._lanes.lanes):
            i = lane.next_from(place)
            if i == lane.rows.size or lane.rows[i] >= end:
                continue
            is_known = unavailable.isdisjoint(lane.facts.signals)
            if not is_known or not lane.is_settled(judge, assessor.reported, assessor.ears.bus):
                end, is_settled, self._lively = int(lane.rows[i]), False, [lane]
            else:
                end = min(end, lane.first_odd(i, volts))
            if end - place < LEAST:
                break
        return end, is_settled

    def _place_of(self, t_ns: int) -> int:
        return int(np.searchsorted(self._batch.t_ns, t_ns))

    def _missed_ns(self, place: int) -> int:
        """When something is missed first that does not come in time from `place` on; between frames of the
        batch that follow each other the lanes know."""
        lost, bus, out = self._assessor.lost, self._assessor.ears.bus, FOREVER
        for message in bus.messages.values():
            if message.cycle_ns and message.last_ns is not None and not message.missing:
                track: Track = self._lane_of.get(message.name, self._none)
                out = min(out, track.due_ns(place, message.last_ns + message.limit_ns))
        for name, node in bus.nodes.items():
            if node.last_ns is not None:
                track = self._lanes.nodes.get(name, self._none)
                out = min(out, track.due_ns(place, node.last_ns + node.limit_ns))
        for name, (sender, lost_ns, _) in self._limits.items():
            last_ns = lost.last_ns(name)
            if last_ns is not None:
                track = self._lanes.signs.get(sender, self._none)
                out = min(out, track.due_ns(place, last_ns + lost_ns - 1))
        return out

    def _return(self, place: int) -> int:
        """The place where a panel, screen or sensor is heard again that may have been taken for lost."""
        out = len(self._batch)
        for name, (sender, _, near_ns) in self._limits.items():
            track, last_ns = self._lanes.signs.get(sender, self._none), self._assessor.lost.last_ns(name)
            i = track.next_from(place)
            if i < track.rows.size and (last_ns is None or track.t_ns[i] - last_ns >= near_ns):
                out = min(out, int(track.rows[i]))
        return out

    def pass_over(self, place: int, end: int) -> None:
        """Tell the assessor of all of it at once."""
        assessor, batch, bus = self._assessor, self._batch, self._assessor.ears.bus
        for lane in self._lanes.lanes:
            i, j = lane.next_from(place), lane.next_from(end)
            if i < j:
                self._pass_lane(lane, i, j)
        for name, track in self._lanes.nodes.items():
            i, j = track.next_from(place), track.next_from(end)
            if i < j:
                node, t_ns = bus.nodes[name], track.t_ns
                gap_ns = int(track.steps_ns[i : j - 1].max(initial=0))
                if node.last_ns is not None:
                    gap_ns = max(gap_ns, int(t_ns[i]) - node.last_ns)
                before_ns = int(t_ns[j - 2]) if j - i > 1 else None
                bus.passed_by(node, j - i, before_ns, int(t_ns[j - 1]), gap_ns)
        for name, track in self._lanes.signs.items():
            i, j = track.next_from(place), track.next_from(end)
            if i < j:
                assessor.lost.heard(name, int(track.t_ns[j - 1]))
        for name, (track, counts) in self._lanes.counts.items():
            i, j = track.next_from(place), track.next_from(end)
            if i < j:
                assessor.counted(name, int(counts[j - 1]), int(track.t_ns[j - 1]))
        assessor.passed(end - place, int(batch.number[end - 1]), int(batch.t_ns[end - 1]))

    def _pass_lane(self, lane: Lane, i: int, j: int) -> None:
        assessor, place, t_ns = self._assessor, int(lane.rows[j - 1]), int(lane.t_ns[j - 1])
        counter = None if lane.counter is None else int(lane.counter[j - 1])
        assessor.ears.bus.passed(lane.message, t_ns, counter)
        bits, sizes = int(lane.seen[j - 1]), lane.facts.sizes
        if bits not in sizes:
            sizes[bits] = len(assessor.reading(self._batch.frame(place)).body)
        samples = (j - i) * sizes[bits]
        assessor.passed_message(lane.message.name, int(self._batch.number[place]), t_ns, samples)
        lane.pass_currents(i, j)
        self._unreported[lane.message.name] = place

    def report(self) -> None:
        """Tell the assessor what the frames passed over last say."""
        for message, place in self._unreported.items():
            if self._assessor.frame_of[message] == self._batch.number[place]:
                self._assessor.note(self._batch.frame(place))
        self._unreported.clear()
