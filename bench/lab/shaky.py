"""A link in bad shape around the virtual bench: it loses frames and sends, is late, falls silent or dies.

All of it is told as a real link would tell it, and none of it is the box's fault.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

from bench.core.clock import VirtualClock
from bench.core.entry import Dropped, Entry, HostLate, LinkLost, Refused
from bench.core.frame import RX, Frame

from .virtual import TwinBox, VirtualBench

MS = 1_000_000


@dataclass(frozen=True, slots=True)
class Trouble:
    """Shares from 0 to 1 and instants in seconds after the opening; 0: never.

    `drops`: share of received frames lost, told at once. `refuses`: share of sends that the adapter
    refuses. `mute_sends`: share of sends that vanish, of which the adapter never speaks again. `late`:
    share of waits at whose end the host was held up, with stamps as late as it was. `silent_s`: from
    then on nothing is received for `silence_s`. `dies_s`: the link ends. `from_s`: no drops, refusals
    or delays before.
    """

    drops: float = 0.0
    refuses: float = 0.0
    mute_sends: float = 0.0
    late: float = 0.0
    silent_s: float = 0.0
    silence_s: float = 2.0
    dies_s: float = 0.0
    from_s: float = 3.0


class ShakyBench(VirtualBench):
    """A VirtualBench with trouble. `told`: what went wrong, counted by kind; `unsent`: frames that
    did not reach the box. Thread: one."""

    def __init__(self, twin: TwinBox, clock: VirtualClock, trouble: Trouble, seed: int = 0) -> None:
        super().__init__(twin, clock, name="shaky")
        self._trouble, self._time = trouble, clock
        self._chance = random.Random(seed)
        self._began_ns = clock.now_ns()
        self._dead = False
        self.unsent: list[Frame] = []
        self.told = {"drops": 0, "refuses": 0, "mute_sends": 0, "late": 0, "silent": 0, "dies": 0}

    def _after(self, t_ns: int, since_s: float) -> bool:
        return since_s > 0 and t_ns >= self._began_ns + round(since_s * 1e9)

    def wait(self, until_ns: int) -> list[Entry]:
        """As VirtualBench.wait, with the trouble in it."""
        began_ns = self._time.now_ns()
        if self._dead:
            self._time.wait_until(until_ns)
            return []
        entries = super().wait(until_ns)
        if self._after(until_ns, self._trouble.dies_s):
            self._dead = True
            self.told["dies"] += 1
            return [LinkLost(until_ns, "the adapter was unplugged")]
        out: list[Entry] = []
        for entry in entries:
            out += self._of(entry)
        if self._after(began_ns, self._trouble.from_s) and self._chance.random() < self._trouble.late:
            return self._held_up(out, began_ns, until_ns)
        return out

    def _of(self, entry: Entry) -> list[Entry]:
        if not isinstance(entry, Frame) or entry.direction != RX:
            return [entry]
        trouble, t_ns = self._trouble, entry.t_ns
        if self._after(t_ns, trouble.silent_s) and not self._after(
            t_ns, trouble.silent_s + trouble.silence_s
        ):
            self.told["silent"] += 1
            return []
        if self._after(t_ns, trouble.from_s) and self._chance.random() < trouble.drops:
            self.told["drops"] += 1
            return [Dropped(t_ns, "queue", 1)]
        return [entry]

    def _held_up(self, entries: list[Entry], began_ns: int, until_ns: int) -> list[Entry]:
        """Everything received while the host stood still bears the stamp of its end."""
        self.told["late"] += 1
        received = [e._replace(t_ns=until_ns) for e in entries if isinstance(e, Frame) and e.direction == RX]
        others = [e for e in entries if not (isinstance(e, Frame) and e.direction == RX)]
        late = HostLate(until_ns, (until_ns - began_ns) / MS)
        return [*others, *received, late]

    def _do(self, t_ns: int, number: int, what: Frame | tuple[str, bool], out: list[Entry]) -> None:
        refused = self._after(t_ns, self._trouble.from_s) and self._chance.random() < self._trouble.refuses
        if refused and isinstance(what, Frame):
            self.told["refuses"] += 1
            self.unsent.append(what)
            out += what, Refused(t_ns, self._sent, "no acknowledge on the bus")
            self._sent += 1
            return
        vanishes = (
            self._after(t_ns, self._trouble.from_s) and self._chance.random() < self._trouble.mute_sends
        )
        if vanishes and isinstance(what, Frame):
            self.told["mute_sends"] += 1
            self.unsent.append(what)
            out.append(what)
            self._sent += 1
            return
        super()._do(t_ns, number, what, out)
