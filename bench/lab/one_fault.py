"""A link that fails once, in one way, in one span of time, around the virtual bench.

None of it is the box's fault. Whatever a real link would tell of it is told.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from bench.core.clock import VirtualClock
from bench.core.entry import AdapterLate, Alive, Confirmed, Dropped, Entry, HostLate, LinkLost, Refused
from bench.core.frame import RX, Frame
from bench.core.link import LinkFacts, LinkStatistics

from .virtual import TwinBox, VirtualBench

MS = 1_000_000
TOLD_LOSS, UNREADABLE, REFUSED, VANISHED, UNANSWERED, LATE, HELD, SILENT, DIES = KINDS = (
    "frames lost, told",
    "unreadable bytes",
    "sends refused",
    "sends that vanish",
    "sends that arrive unanswered",
    "host late",
    "frames held back",
    "frames lost, untold",
    "link dies",
)
TOUCHES_SENDS = (REFUSED, VANISHED, UNANSWERED)
QUESTION_NS = 7 * MS  # the latest question answered before frames were held was put so long before
TELL_NS = 100 * MS  # while they are held it is told each time so much later


@dataclass(frozen=True, slots=True)
class LinkFault:
    """`kind` of KINDS, in [`from_ns`, `until_ns`)."""

    kind: str
    from_ns: int
    until_ns: int

    def holds(self, t_ns: int) -> bool:
        """Whether it is there at an instant."""
        return self.from_ns <= t_ns < self.until_ns


class FaultyBench(VirtualBench):
    """`met`: frames, sends or waits that it touched; `unsent`: frames that did not reach the box."""

    def __init__(self, twin: TwinBox, clock: VirtualClock, fault: LinkFault) -> None:
        super().__init__(twin, clock, name="faulty")
        self._fault = fault
        self._held: list[Frame | Confirmed] = []
        self._told_ns = 0
        self._dead = False
        self._clock_seen = clock
        self.met = self._refused = 0
        self.unsent: list[Frame] = []

    @property
    def facts(self) -> LinkFacts:
        """A link that can lose frames untold does not call itself complete."""
        return replace(super().facts, complete=self._fault.kind != SILENT)

    def statistics(self) -> LinkStatistics:
        """As VirtualBench.statistics, with what was refused."""
        known, refused = super().statistics(), self._refused
        return replace(known, refused=refused, confirmed=known.confirmed - refused)

    def wait(self, until_ns: int) -> list[Entry]:
        """As VirtualBench.wait, with the fault in it."""
        if self._dead:
            self._clock_seen.wait_until(until_ns)
            return []
        out: list[Entry] = []
        for entry in super().wait(until_ns):
            if self._fault.kind == DIES and entry.t_ns >= self._fault.from_ns:
                break
            self._let_go(entry.t_ns, out)
            self._of(entry, out)
        if self._fault.kind == DIES and until_ns >= self._fault.from_ns:
            self._dead = True
            self.met += 1
            last_ns = out[-1].t_ns if out else 0
            out.append(LinkLost(max(self._fault.from_ns, last_ns), "the adapter was unplugged"))
        return out

    def _of(self, entry: Entry, out: list[Entry]) -> None:
        kind, received = self._fault.kind, isinstance(entry, Frame) and entry.direction == RX
        touched = (kind == LATE and isinstance(entry, Alive)) or (
            kind == HELD and isinstance(entry, Confirmed)
        )
        if not self._fault.holds(entry.t_ns) or not (received or touched):
            out.append(entry)
            return
        if kind in (TOLD_LOSS, UNREADABLE, SILENT, LATE, HELD):
            self.met += 1
        if kind == TOLD_LOSS:
            out.append(Dropped(entry.t_ns, "queue", 1))
        elif kind == UNREADABLE:
            out.append(Dropped(entry.t_ns, "slcan text", 1))
        elif kind in (LATE, HELD):
            self._held += [entry] if isinstance(entry, Frame | Confirmed) else []
        elif kind != SILENT:
            out.append(entry)

    def _let_go(self, t_ns: int, out: list[Entry]) -> None:
        """The host is back, or the adapter goes on: what was held bears the instant of its end."""
        end_ns = self._fault.until_ns
        if self._fault.kind == HELD:
            self._tell(min(t_ns, end_ns - 1), out)
        if self._fault.kind not in (LATE, HELD) or t_ns < end_ns or not self._held:
            return
        out += [one._replace(t_ns=end_ns) for one in self._held]
        self._held.clear()
        if self._fault.kind == LATE:
            out.append(HostLate(end_ns, (end_ns - self._fault.from_ns) / MS))
        else:
            out.append(self._late(end_ns))

    def _tell(self, t_ns: int, out: list[Entry]) -> None:
        """The answer to the bench's question is out for long."""
        self._told_ns = max(self._told_ns, self._fault.from_ns)
        while self._told_ns + TELL_NS <= t_ns:
            self._told_ns += TELL_NS
            out.append(self._late(self._told_ns))

    def _late(self, t_ns: int) -> AdapterLate:
        return AdapterLate(t_ns, (t_ns - self._fault.from_ns + QUESTION_NS) / MS)

    def _do(self, t_ns: int, number: int, what: Frame | tuple[str, bool], out: list[Entry]) -> None:
        kind = self._fault.kind
        if not isinstance(what, Frame) or kind not in TOUCHES_SENDS or not self._fault.holds(t_ns):
            super()._do(t_ns, number, what, out)
            return
        self.met += 1
        out.append(what)
        if kind == REFUSED:
            self._refused += 1
            out.append(Refused(t_ns, self._sent, "no acknowledge on the bus"))
        self._sent += 1
        if kind == UNANSWERED:
            self._twin.receive(t_ns, what.can_id, what.data, what.extended)
        else:
            self.unsent.append(what)
