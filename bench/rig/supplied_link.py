"""A link whose boxes hang on a supply that the bench switches: one stream with the supply's own marks in it.

One thread owns the supply. `supply_switched` is stamped before the command leaves, so that nothing a box does
for it comes earlier; `supply_confirmed` once the supply says so and its terminals measure so. What the supply
does not confirm in time, and a voltage that gives way, is trouble: the run ends, and what happened since the
last good reading is not judged. `close` switches the output off, whatever happened before.
"""

from __future__ import annotations

import heapq
import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from bench.core.clock import Clock
from bench.core.entry import (
    Entry,
    Mark,
    SupplyConfirmed,
    SupplyReached,
    SupplyRead,
    SupplySet,
    SupplySwitched,
    SupplyTrouble,
)
from bench.core.errors import BenchError
from bench.core.link import Link, LinkFacts, LinkStatistics, Meter

from .supply import Reading, Supply

MS = 1_000_000
VOLTS = ""  # no box has this name
POLL_NS = 100 * MS
RISE_NS = 1_000 * MS  # longest from the command to the voltage at the terminals
TOL_V = 0.3  # assumed: wider than any bench supply's own error, far below what makes a box restart


@dataclass(frozen=True, slots=True)
class Setting:
    """What the supply is set to, in V and A; all boxes of the run hang on it. `meter`: what is stated of its
    readings, if anything."""

    volts: float
    limit_a: float
    meter: Meter | None = None


class SuppliedLink:
    """A Link. `on_trouble`: told once, from the supply's thread, why the run must end.

    One output feeds all `boxes`: it is on only while every one of them is wanted on.
    """

    def __init__(
        self, link: Link, open_supply: Callable[[], Supply], setting: Setting, boxes: Sequence[str],
        clock: Clock, on_trouble: Callable[[str], None] = lambda reason: None,
    ) -> None:  # fmt: skip
        self._link, self._open_supply, self._setting, self._clock = link, open_supply, setting, clock
        self._boxes = tuple(boxes)
        self._wanted = dict.fromkeys(self._boxes, False)
        self._on_trouble = on_trouble
        self._supply: Supply | None = None
        self._volts = setting.volts  # as it is set now
        self._due: list[tuple[int, int, str, float]] = []  # box and on or off; VOLTS and how many
        self._queued = 0
        self._marks: deque[Mark] = deque()
        self._changed = threading.Condition()
        self._stop = False
        self._thread: threading.Thread | None = None
        self._on: bool | None = None  # off after `open`, but that is not said yet
        self._good_ns = 0
        self.trouble = ""
        self.left_on = ""  # after close: what is in doubt about the output being off

    @property
    def facts(self) -> LinkFacts:
        """The link's own, and that the supply can be switched."""
        return replace(self._link.facts, switches_supply=True, meter=self._setting.meter, sets_volts=True)

    def open(self) -> None:
        """Sets the supply up with its output off, then opens the link. Raises BenchError."""
        self._supply = self._open_supply()
        try:
            self._supply.output(False)
            self._supply.clear_errors()
            self._supply.set_volts(self._setting.volts)
            self._supply.set_limit(self._setting.limit_a)
            self._link.open()
        except BaseException:
            self.close()
            raise
        self._thread = threading.Thread(target=self._run, name="supply", daemon=True)
        self._thread.start()

    def send_at(self, t_ns: int, can_id: int, data: bytes, extended: bool = True) -> None:
        """As the link does."""
        self._link.send_at(t_ns, can_id, data, extended)

    def switch_supply_at(self, t_ns: int, box: str, on: float) -> None:
        """Queue a switching; how late it went shows in its mark."""
        with self._changed:
            heapq.heappush(self._due, (t_ns, self._queued, box, on))
            self._queued += 1
            self._changed.notify()

    def set_volts_at(self, t_ns: int, volts: float) -> None:
        """Queue another voltage; how late it was set shows in its mark."""
        self.switch_supply_at(t_ns, VOLTS, volts)

    @property
    def settled(self) -> bool:
        """Nothing is queued and the supply has confirmed, or never will."""
        with self._changed:
            return bool(self.trouble) or not (self._due or self._busy)

    def wait(self, until_ns: int) -> list[Entry]:
        """The link's entries with the supply's marks among them, each before what came after it."""
        entries = self._link.wait(until_ns)
        with self._changed:
            marks = list(self._marks)
            self._marks.clear()
        if not marks:
            return entries
        out: list[Entry] = []
        for entry in entries:
            while marks and marks[0].t_ns <= entry.t_ns:
                out.append(marks.pop(0))
            out.append(entry)
        return out + marks

    def loop_test(self) -> float | None:
        """As the link does."""
        return self._link.loop_test()

    def statistics(self) -> LinkStatistics:
        """The link's."""
        return self._link.statistics()

    def close(self) -> None:
        """Output off, both ports released; safe to call twice. Blocks: some seconds where nothing answers."""
        with self._changed:
            self._stop = True
            self._changed.notify()
        if self._thread is not None:
            self._thread.join()
            self._thread = None
        supply, self._supply = self._supply, None
        if supply is not None:
            self.left_on = supply.switch_off()
            supply.close()
        self._link.close()

    # -- the supply's thread

    _busy = False

    def _run(self) -> None:
        supply = self._supply
        assert supply is not None
        try:
            while (what := self._next()) is not None:
                if what:
                    self._do(supply, what)
                else:
                    self._watch(supply)
        except BenchError as e:
            self._give_up(supply, e.complaints[0].text)
        except Exception as e:  # a thread top: the text must reach the run
            self._give_up(supply, f"internal error in the supply's thread: {type(e).__name__}: {e}")

    def _next(self) -> list[tuple[str, float]] | None:
        """What is due to be switched, nothing when it is time to read, None at the end."""
        poll_ns = self._clock.now_ns() + POLL_NS
        with self._changed:
            self._busy = False
            while not self._stop:
                now_ns = self._clock.now_ns()
                what = []
                while self._due and self._due[0][0] <= now_ns:
                    _, _, box, on = heapq.heappop(self._due)
                    what.append((box, on))
                if what:
                    self._busy = True
                    return what
                until_ns = min(poll_ns, self._due[0][0]) if self._due else poll_ns
                if until_ns <= now_ns:
                    return []
                self._changed.wait((until_ns - now_ns) / 1e9)
        return None

    def _do(self, supply: Supply, what: Sequence[tuple[str, float]]) -> None:
        switched = [(box, bool(on)) for box, on in what if box != VOLTS]
        if switched:
            self._switch(supply, switched)
        for name, volts in what:
            if name == VOLTS:
                self._set_volts(supply, volts)

    def _set_volts(self, supply: Supply, volts: float) -> None:
        self._volts = volts
        start_ns = self._say(lambda t_ns: [SupplySet(t_ns, volts)])
        supply.set_volts(volts)
        while self._on and not self._has_followed(reading := self._read(supply), True):
            if self._clock.now_ns() > start_ns + RISE_NS:
                self._good_ns = start_ns
                text = f"{reading.volts:g} V {RISE_NS // MS} ms after being set to {volts:g} V"
                raise BenchError(f"the supply gave {text}")
        self._say(lambda t_ns: [SupplyReached(t_ns, volts, TOL_V)])

    def _switch(self, supply: Supply, what: Sequence[tuple[str, bool]]) -> None:
        self._wanted.update(what)
        on = all(self._wanted.values())
        if on == self._on:
            return
        self._on = on
        start_ns = self._say(lambda t_ns: [SupplySwitched(t_ns, box, int(on)) for box in self._boxes])
        supply.output(on)
        while not self._has_followed(reading := self._read(supply), on):
            if self._clock.now_ns() > start_ns + RISE_NS:
                self._good_ns = start_ns
                text = f"{reading.volts:g} V at its terminals {RISE_NS // MS} ms after being switched"
                raise BenchError(f"the supply gave {text} {'on' if on else 'off'}")
        self._say(lambda t_ns: [SupplyConfirmed(t_ns, box, int(on)) for box in self._boxes])

    def _has_followed(self, reading: Reading, on: bool) -> bool:
        """Going off is slow where boxes hold their charge: what the supply says is enough then."""
        return not on or abs(reading.volts - self._volts) <= TOL_V

    def _watch(self, supply: Supply) -> None:
        good_ns = self._good_ns
        reading = self._read(supply)
        if self._on and not self._has_followed(reading, True):
            self._good_ns = good_ns
            set_to = f"{self._volts:g} V and at most {self._setting.limit_a:g} A"
            raise BenchError(f"the supply gave {reading.volts:g} V and {reading.amps:g} A, set to {set_to}")

    def _read(self, supply: Supply) -> Reading:
        reading = supply.measure()
        self._good_ns = reading.from_ns
        self._say(lambda t_ns: [SupplyRead(t_ns, reading.from_ns, reading.volts, reading.amps)])
        return reading

    def _say(self, marks: Callable[[int], Sequence[Mark]]) -> int:
        """Stamps inside the lock: a mark is never older than what has been handed over."""
        with self._changed:
            t_ns = self._clock.now_ns()
            self._marks.extend(marks(t_ns))
        return t_ns

    def _give_up(self, supply: Supply, reason: str) -> None:
        since_ns = self._good_ns or self._clock.now_ns()
        self._say(lambda t_ns: [SupplyTrouble(t_ns, min(since_ns, t_ns), reason)])
        self.trouble = reason
        self._on_trouble(reason)
