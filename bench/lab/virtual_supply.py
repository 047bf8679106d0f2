"""The virtual bench on a simulated supply, in virtual time: switched, read, and in trouble as a real one.

It speaks to the simulated supply as a run does to a real one, text for text; only waiting is left out.
"""

from __future__ import annotations

import heapq
import random
from collections.abc import Callable
from dataclasses import dataclass, replace

from bench.core.clock import VirtualClock
from bench.core.entry import (
    Entry,
    SupplyConfirmed,
    SupplyReached,
    SupplyRead,
    SupplySet,
    SupplySwitched,
    SupplyTrouble,
)
from bench.core.errors import BenchError
from bench.core.link import LinkFacts
from bench.rig import Reading, Setting, Supply, load_dialect
from bench.rig.supplied_link import POLL_NS, TOL_V
from bench.twin import Twin

from .supply_sim import HEALTHY, SimMeter, SimSupply, SupplyFault
from .supply_twin import TwinAtTerminals
from .virtual import VirtualBench

MS = 1_000_000


@dataclass(frozen=True, slots=True)
class Manner:
    """How a simulated supply reads. An answer takes `answer_ms`; its meter is renewed every `refresh_ms`,
    shows steps of `step_a`, is wrong by `off_pct`, and meets a dimmed load at any instant (`pulsed`)."""

    answer_ms: float = 20.0
    refresh_ms: float = 50.0
    step_a: float = 0.01
    off_pct: float = 0.0
    pulsed: bool = True


class SimWire:
    """A Wire to a simulated supply in the same process, which answers at once."""

    def __init__(self, sim: SimSupply) -> None:
        self._sim, self._in = sim, b""

    def write(self, text: str) -> None:
        """What was written is obeyed before this returns."""
        self._in += self._sim.feed(text.encode("ascii"))

    def read_line(self, until_ns: int) -> str | None:
        """None where the supply said nothing."""
        line, end, rest = self._in.partition(b"\n")
        if not end:
            return None
        self._in = rest
        return line.decode("ascii", "replace")

    def drain(self, quiet_ms: float) -> None:
        """Forgets what was said."""
        self._in = b""

    def close(self) -> None:
        """Nothing to release."""


class SuppliedBench(VirtualBench):
    """`wait` also gives the supply's marks. `on_trouble`: told once why the run must end. Thread: one."""

    def __init__(
        self, twin: Twin, clock: VirtualClock, setting: Setting, *, manner: Manner | None = None,
        seed: int = 0, fault: SupplyFault = HEALTHY, on_trouble: Callable[[str], None] = lambda reason: None,
    ) -> None:  # fmt: skip
        super().__init__(twin, clock)
        self._rng, self._manner = random.Random(f"supply {seed}"), manner or Manner()
        self._facts = replace(self._facts, meter=setting.meter, sets_volts=True)
        self._volts = setting.volts
        self._setting, self._on_trouble = setting, on_trouble
        self._boxes = tuple(b.name for b in twin.tables.boxes)
        self._wanted = dict.fromkeys(self._boxes, False)
        fed = TwinAtTerminals(twin, clock, self._rng if self._manner.pulsed else None)
        m = self._manner
        meter = SimMeter(clock, m.refresh_ms, m.step_a, m.off_pct)
        self.sim = SimSupply(fed, fault, most_amps=max(100.0, setting.limit_a), meter=meter)
        self._supply = Supply(SimWire(self.sim), load_dialect(), clock)
        self._due: list[tuple[int, int, Callable[[], list[Entry]]]] = []
        self._on: bool | None = None
        self._from_ns = self._good_ns = 0
        self.trouble = ""
        self._changing = False  # on its way to another voltage

    @property
    def facts(self) -> LinkFacts:
        """The virtual bench's, with what is stated of the supply's meter."""
        return self._facts

    def open(self) -> None:
        """Sets the supply up with its output off. Raises: BenchError as a real one does."""
        super().open()
        supply = self._supply
        supply.identify()
        supply.output(False)
        supply.clear_errors()
        supply.set_volts(self._setting.volts)
        supply.set_limit(self._setting.limit_a)
        self._at(self._clock.now_ns(), self._ask)

    def switch_supply_at(self, t_ns: int, box: str, on: bool) -> None:
        """Queue a switching; one output feeds all boxes, and is on while all are wanted on."""
        self._at(max(t_ns, self._clock.now_ns()), lambda: self._switch(box, on))

    def set_volts_at(self, t_ns: int, volts: float) -> None:
        """Queue another voltage."""
        self._at(max(t_ns, self._clock.now_ns()), lambda: self._set_volts(volts))

    def wait(self, until_ns: int) -> list[Entry]:
        """As the virtual bench, with the supply's marks in order."""
        out: list[Entry] = []
        until_ns = max(until_ns, self._clock.now_ns())
        while self._due and self._due[0][0] <= until_ns:
            t_ns, _, act = heapq.heappop(self._due)
            out += super().wait(t_ns)
            out += self._try(act)
        return out + super().wait(until_ns)

    def close(self) -> None:
        """Output off."""
        self._supply.switch_off()
        super().close()

    # -- the supply

    def _at(self, t_ns: int, act: Callable[[], list[Entry]]) -> None:
        heapq.heappush(self._due, (t_ns, self._next(), act))

    def _try(self, act: Callable[[], list[Entry]]) -> list[Entry]:
        if self.trouble:
            return []
        try:
            return act()
        except BenchError as e:
            self.trouble = e.complaints[0].text
            self._on_trouble(self.trouble)
            now_ns = self._clock.now_ns()
            return [SupplyTrouble(now_ns, min(self._good_ns or now_ns, now_ns), self.trouble)]

    def _switch(self, box: str, on: bool) -> list[Entry]:
        self._wanted[box] = on
        every = all(self._wanted.values())
        if every == self._on:
            return []
        self._on = every
        t_ns = self._clock.now_ns()
        self._supply.output(every)
        self._at(t_ns + int(self._manner.answer_ms * MS), lambda: self._confirm(every))
        return [SupplySwitched(t_ns, b, int(every)) for b in self._boxes]

    def _set_volts(self, volts: float) -> list[Entry]:
        t_ns = self._clock.now_ns()
        self._volts, self._changing = volts, True
        self._at(t_ns + self._rng.randrange(self._late_ns()), lambda: self._obey(volts))
        self._at(t_ns + 2 * self._late_ns(), lambda: self._reach(volts))
        return [SupplySet(t_ns, volts)]

    def _late_ns(self) -> int:
        return int(self._manner.answer_ms * MS) + 1

    def _obey(self, volts: float) -> list[Entry]:
        self._supply.set_volts(volts)
        return []

    def _reach(self, volts: float) -> list[Entry]:
        self._changing = self._volts != volts
        if self._changing:
            return []  # set anew meanwhile
        self._look(self._supply.measure(), bool(self._on))
        return [SupplyReached(self._clock.now_ns(), volts, TOL_V)]

    def _confirm(self, on: bool) -> list[Entry]:
        self._look(self._supply.measure(), on)
        return [SupplyConfirmed(self._clock.now_ns(), b, int(on)) for b in self._boxes]

    def _ask(self) -> list[Entry]:
        """Asked now, measured some time later, told after that."""
        self._from_ns = self._clock.now_ns()
        takes_ns = int(self._manner.answer_ms * MS)
        self._at(self._from_ns + int(self._rng.random() * takes_ns), lambda: self._measure(takes_ns))
        return []

    def _measure(self, takes_ns: int) -> list[Entry]:
        reading = self._supply.measure()
        self._look(reading, bool(self._on))
        self._at(self._from_ns + takes_ns, lambda: self._tell(reading, self._from_ns))
        return []

    def _tell(self, reading: Reading, from_ns: int) -> list[Entry]:
        now_ns = self._clock.now_ns()
        self._good_ns = from_ns
        self._at(max(from_ns + POLL_NS, now_ns + MS), self._ask)
        return [SupplyRead(now_ns, from_ns, reading.volts, reading.amps)]

    def _look(self, reading: Reading, on: bool) -> None:
        if on and not self._changing and abs(reading.volts - self._volts) > TOL_V:
            set_to = f"{self._volts:g} V and at most {self._setting.limit_a:g} A"
            raise BenchError(f"the supply gave {reading.volts:g} V and {reading.amps:g} A, set to {set_to}")
