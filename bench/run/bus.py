"""One place through which everything passes: link to recorder to assessor, and all that is sent."""

from __future__ import annotations

from collections.abc import Callable

from bench.core.clock import Clock
from bench.core.entry import Entry, HostLate, LinkLost, SupplySwitched
from bench.core.errors import BenchError
from bench.core.frame import RX, Frame
from bench.core.link import Link

from .allowed import Allowed
from .heart import Heart
from .limits import Alarms
from .off_data import CounterBook
from .ports import Judges, Writes
from .stop import StopFlag

MS = 1_000_000
SLICE_NS = 100 * MS  # nobody waits longer than this without looking at the stop flag and the guard
AT_LINK_NS = 150 * MS  # nothing is handed to the link earlier than this before its instant
AHEAD_NS = 20 * MS  # stimuli are handed to the link this long before their instant


class RunStopped(Exception):  # noqa: N818 - not an error: the way out of a run that must end early
    """The run ends now, by switching off. `reason` as in the Ended mark."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


class Bus:
    """Everything a run hears and says. Thread: the conductor's only.

    `ending` is set once safe-off begins: from then on nothing stops it but the loss of the link.
    `t_ns` is the stamp of the latest entry: what the bench marks itself is stamped with it, so that
    no mark runs ahead of frames that are still on their way.
    """

    def __init__(
        self, link: Link, clock: Clock, recorder: Writes, assessor: Judges, heart: Heart, stop: StopFlag,
        *, until_first: bool = False,
    ) -> None:  # fmt: skip
        self.link, self.clock, self.recorder, self.assessor = link, clock, recorder, assessor
        self.heart, self.stop = heart, stop
        self.until_first = until_first
        self.book: CounterBook | None = None
        self.tell_guard: Callable[[int, bool, bytes], None] = lambda can_id, extended, data: None
        self.tell_guard_of_hand: Callable[[str, bool], None] = lambda circuit, may_be: None
        self.beat_guard: Callable[[], str] = lambda: ""
        self.allowed: Allowed | None = None
        self.alarms = Alarms(())
        self.listener: Callable[[Frame], None] | None = None
        self.ending = False
        self.lost = ""
        self.late_ms = 0.0
        self.frames = 0
        self.t_ns = clock.now_ns()

    def mark(self, entry: Entry) -> None:
        """Record and judge something of our own."""
        self._take([entry])

    def send(self, t_ns: int, can_id: int, data: bytes, extended: bool) -> None:
        """Hand a frame to the link for `t_ns`; the guard knows of it before the link does."""
        if self.book is not None:
            self.book.note(can_id, extended, data)
        self.tell_guard(can_id, extended, data)
        self.link.send_at(t_ns, can_id, data, extended)

    def by_hand(self, circuit: str, may_be: bool) -> None:
        """A circuit may be by hand from now on, or surely is no longer: safe-off presses no key for it."""
        if self.book is not None:
            (self.book.by_hand.add if may_be else self.book.by_hand.discard)(circuit)
        self.tell_guard_of_hand(circuit, may_be)

    def pump(self, until_ns: int) -> None:
        """Take in everything up to `until_ns`. Blocks: until then. Raises RunStopped."""
        while True:
            now_ns = self.clock.now_ns()
            stop_ns = min(until_ns, now_ns + SLICE_NS)
            for at_ns, (can_id, data, extended) in self.heart.due(now_ns, stop_ns + AHEAD_NS):
                self.link.send_at(at_ns, can_id, data, extended)
            self._take(self.link.wait(stop_ns))
            self._look()
            if self.clock.now_ns() >= until_ns:
                return

    def _take(self, entries: list[Entry]) -> None:
        write, feed, listener = self.recorder.write, self.assessor.feed, self.listener
        for entry in entries:
            try:
                entry = write(entry)
            except BenchError as e:
                self.stop.set(f"the recording failed: {e.complaints[0].text}")
            feed(entry)
            if type(entry) is Frame:
                self.frames += 1
                if listener is not None and entry.direction == RX:
                    listener(entry)
            elif isinstance(entry, LinkLost):
                self.lost = entry.reason or "no reason given"
            elif isinstance(entry, SupplySwitched) and not entry.on and self.allowed is not None:
                self.allowed.switched_off(entry.box, entry.t_ns)
            elif isinstance(entry, HostLate):
                self.late_ms = max(self.late_ms, entry.late_ms)
        if entries:
            self.t_ns = max(self.t_ns, entries[-1].t_ns)

    def _look(self) -> None:
        trouble = self.beat_guard()
        if self.lost:
            raise RunStopped(f"link lost: {self.lost}")
        if self.ending:
            return
        if trouble:
            self.stop.set(trouble)
        if alarm := self.alarms.raised(self.assessor.reported):
            self.stop.set(alarm)
        if self.allowed is not None:
            too_long = self.allowed.look(self.clock.now_ns(), self.assessor)
            if too_long:
                self.stop.set(too_long)
        if self.until_first and self.assessor.discrepancy_count:
            self.stop.set("discrepancy limit")
        if self.stop:
            raise RunStopped(self.stop.reason)
