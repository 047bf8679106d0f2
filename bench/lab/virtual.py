"""Bench and virtual box in one thread: a link whose clock jumps to the next thing that happens."""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from typing import Protocol

from bench.core.clock import VirtualClock
from bench.core.entry import Alive, Confirmed, Entry, SupplySwitched
from bench.core.errors import InternalError
from bench.core.frame import TX, Frame
from bench.core.link import LinkFacts, LinkStatistics

ALIVE_NS = 50_000_000
JITTER_MS = 2.0
START_NS = 1_700_000_000_000_000_000  # any fixed instant: the same seed gives the same bytes


class TwinBox(Protocol):
    """What this link needs of a virtual box (`bench.twin.Twin`)."""

    def receive(self, t_ns: int, can_id: int, data: bytes, extended: bool = True) -> None:
        """A frame from the bench, complete on the bus at `t_ns`."""
        ...

    def run_until(self, t_ns: int) -> Sequence[Frame]:
        """Frames it put on the bus up to and including `t_ns`, in order."""
        ...

    def supply(self, t_ns: int, box: str, on: bool) -> None:
        """Its supply is switched at `t_ns`; the twin has run until then."""
        ...


class VirtualBench:
    """A Link to a twin in process. `wait` jumps to its end at once and hands over all that happened.

    Thread: one. `clock` moves only inside `wait`.
    """

    def __init__(self, twin: TwinBox, clock: VirtualClock, *, name: str = "virtual") -> None:
        self._twin = twin
        self._clock = clock
        self._queue: list[tuple[int, int, Frame | tuple[str, bool]]] = []
        self._number = 0
        self._alive_ns = 0
        self._sent = self._received = 0
        self._open = False
        self._facts = LinkFacts(
            name=name,
            confirms=True,
            echo="none",
            jitter_ms=JITTER_MS,
            switches_supply=True,
            complete=True,
            timely=True,
        )

    @property
    def facts(self) -> LinkFacts:
        """What this link declares; the 2 ms of jitter cover the twin's own bus delays."""
        return self._facts

    def open(self) -> None:
        """Starts the reader's ticks at the clock's present instant."""
        self._open = True
        self._alive_ns = self._clock.now_ns() + ALIVE_NS

    def send_at(self, t_ns: int, can_id: int, data: bytes, extended: bool = True) -> None:
        """Queue one frame for the absolute instant `t_ns` (now, when past)."""
        t_ns = max(t_ns, self._clock.now_ns())
        heapq.heappush(self._queue, (t_ns, self._next(), Frame(t_ns, can_id, data, extended, TX)))

    def switch_supply_at(self, t_ns: int, box: str, on: bool) -> None:
        """Queue a switching of the supply of `box`."""
        heapq.heappush(self._queue, (max(t_ns, self._clock.now_ns()), self._next(), (box, on)))

    def wait(self, until_ns: int) -> list[Entry]:
        """Everything that happens up to `until_ns`, in order of its instant. Blocks: never."""
        if not self._open:
            raise InternalError("wait on a virtual link that is not open")
        out: list[Entry] = []
        queue, run_until = self._queue, self._twin.run_until
        until_ns = max(until_ns, self._clock.now_ns())
        while True:
            stop_ns = min(until_ns, self._alive_ns)
            if queue and queue[0][0] < stop_ns:
                stop_ns = queue[0][0]
            frames = run_until(stop_ns)
            if frames:
                out.extend(frames)
                self._received += len(frames)
            while queue and queue[0][0] <= stop_ns:
                self._do(*heapq.heappop(queue), out)
            if stop_ns >= self._alive_ns:
                out.append(Alive(stop_ns))
                self._alive_ns += ALIVE_NS
            if stop_ns >= until_ns:
                break
        self._clock.wait_until(until_ns)
        return out

    def _do(self, t_ns: int, _: int, what: Frame | tuple[str, bool], out: list[Entry]) -> None:
        if isinstance(what, Frame):
            out += what, Confirmed(t_ns, self._sent)
            self._sent += 1
            self._twin.receive(t_ns, what.can_id, what.data, what.extended)
        else:
            box, on = what
            out.append(SupplySwitched(t_ns, box, int(on)))
            self._twin.supply(t_ns, box, on)

    def _next(self) -> int:
        self._number += 1
        return self._number

    def loop_test(self) -> float | None:
        """No round trip to measure: there is no adapter."""
        return 0.0

    def statistics(self) -> LinkStatistics:
        """Counters since opening; nothing can be lost here."""
        return LinkStatistics(
            received=self._received, sent=self._sent, confirmed=self._sent, refused=0, dropped=0, garbage=0,
            worst_confirm_ms=0.0, worst_send_late_ms=0.0,
        )  # fmt: skip

    def close(self) -> None:
        """Nothing to release; safe to call twice."""
        self._open = False
