"""A link without a bus: what it sees is scripted, what it is told to send is kept.

It passes the conformance kit where that applies. With a VirtualClock `wait` jumps to the next thing
that happens; with a SystemClock it waits for it.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable

from bench.core.clock import Clock
from bench.core.entry import Alive, Confirmed, Entry, LinkLost, Refused, SupplySwitched
from bench.core.errors import InternalError
from bench.core.frame import RX, TX, Frame
from bench.core.link import LinkFacts, LinkStatistics

ALIVE_NS = 50_000_000


class FakeLink:
    """`script`: entries in order of their instants, given out when the clock reaches them.

    `confirms`: sends are answered `confirm_after_ns` later. `refusing`: they are refused instead.
    Thread: one.
    """

    def __init__(
        self,
        clock: Clock,
        script: Iterable[Entry] = (),
        *,
        confirms: bool = True,
        confirm_after_ns: int = 1_000_000,
        switches_supply: bool = False,
        jitter_ms: float = 1.0,
    ) -> None:
        self.refusing = False
        self.sent: list[Frame] = []
        self._clock = clock
        self._confirm_after_ns = confirm_after_ns
        self._facts = LinkFacts("fake", confirms, "none", jitter_ms, switches_supply)
        self._coming: list[tuple[int, int, Entry]] = []
        self._number = 0
        self._open = False
        self._lost = False
        self._alive_at_ns = 0
        self._received = self._confirmed = self._refused = 0
        self._worst_late_ns = 0
        for entry in script:
            self.see(entry)

    @property
    def facts(self) -> LinkFacts:
        """As it was made."""
        return self._facts

    def open(self) -> None:
        """Starts the alive ticks."""
        self._open = True
        self._alive_at_ns = self._clock.now_ns() + ALIVE_NS

    def see(self, entry: Entry) -> None:
        """The link will give out this entry when the clock reaches its instant (at once when past)."""
        self._number += 1
        heapq.heappush(self._coming, (entry.t_ns, self._number, entry))

    def send_at(self, t_ns: int, can_id: int, data: bytes, extended: bool = True) -> None:
        """Kept in `sent` when its instant has come."""
        self.see(Frame(max(t_ns, self._clock.now_ns()), can_id, data, extended, TX))

    def switch_supply_at(self, t_ns: int, box: str, on: bool) -> None:
        """Comes out as SupplySwitched."""
        self.see(SupplySwitched(max(t_ns, self._clock.now_ns()), box, int(on)))

    def wait(self, until_ns: int) -> list[Entry]:
        """Entries up to now. Blocks: until at least one is there or now >= until_ns."""
        while True:
            if entries := self._happened(self._clock.now_ns()):
                return entries
            if not self._open or self._lost or self._clock.now_ns() >= until_ns:
                self._clock.wait_until(until_ns)
                return []
            next_ns = min([self._alive_at_ns, *(t_ns for t_ns, _, _ in self._coming[:1])])
            self._clock.wait_until(min(next_ns, until_ns))

    def _happened(self, now_ns: int) -> list[Entry]:
        entries: list[Entry] = []
        while self._open and not self._lost:
            if self._coming and self._coming[0][0] <= min(now_ns, self._alive_at_ns):
                self._take(heapq.heappop(self._coming)[2], now_ns, entries)
            elif self._alive_at_ns <= now_ns:
                entries.append(Alive(self._alive_at_ns))
                self._alive_at_ns += ALIVE_NS
            else:
                break
        return entries

    def _take(self, entry: Entry, now_ns: int, entries: list[Entry]) -> None:
        entries.append(entry)
        if isinstance(entry, LinkLost):
            self._lost = True
        elif isinstance(entry, Confirmed):
            self._confirmed += 1
        elif isinstance(entry, Refused):
            self._refused += 1
        elif isinstance(entry, Frame) and entry.direction == RX:
            self._received += 1
        elif isinstance(entry, Frame):
            self._sent(entry, now_ns)

    def _sent(self, frame: Frame, now_ns: int) -> None:
        tag = len(self.sent)
        self.sent.append(frame)
        self._worst_late_ns = max(self._worst_late_ns, now_ns - frame.t_ns)
        if not self._facts.confirms:
            return
        t_ns = frame.t_ns + self._confirm_after_ns
        self.see(Refused(t_ns, tag, "the fake refuses") if self.refusing else Confirmed(t_ns, tag))

    def loop_test(self) -> float | None:
        """As long as a confirmation takes."""
        return self._confirm_after_ns / 1e6 if self._facts.confirms else None

    def statistics(self) -> LinkStatistics:
        """Counters since opening."""
        sent, late_ms = len(self.sent), self._worst_late_ns / 1e6
        confirm_ms = self._confirm_after_ns / 1e6 if self._confirmed else 0.0
        return LinkStatistics(self._received, sent, self._confirmed, self._refused, 0, 0, confirm_ms, late_ms)

    def close(self) -> None:
        """Nothing comes out afterwards."""
        self._open = False


def at(t_ns: int, can_id: int, data: bytes, extended: bool = True) -> Frame:
    """A received frame for a script. Raises InternalError when it is no classic frame."""
    if len(data) > 8:
        raise InternalError(f"{len(data)} data bytes do not fit a classic frame")
    return Frame(t_ns, can_id, data, extended)
