"""Judging a circuit's current: presence, absence and size while its output stands still."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from bench.core.timeline import Steady
from bench.loads import Band, Load, band

from .cluster import ClusterJudge
from .found import Found
from .rules import SignalRule
from .trace import level_words

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

IN_A_ROW = 2  # one odd reading proves nothing
SUPPLY_MOVED_V = 0.1  # less than that moves no band


class CurrentJudge:
    """One circuit's current. A band is judged from `settle_ns` after the output last changed."""

    def __init__(
        self,
        rule: SignalRule,
        load: Load,
        settle_ns: int,
        cluster: ClusterJudge,
        report: Callable[[Found], None],
    ) -> None:
        self.rule = rule
        self.load = load
        self.cluster = cluster
        self._settle_ns = settle_ns + rule.age_ns + rule.jitter_ns
        self._report = report
        self.version = -1
        self.volts = (load.nominal_v, load.nominal_v)
        self.limits: Band | None = None
        self.from_ns = 0
        self._level = 0.0
        self._tells = True  # whether a reading can show that anything is drawn at all
        self._cause = 0
        self._wrong = 0
        self._right = 0
        self._undecided = 0
        self._reported: tuple[float, str] | None = None
        self.shown: dict[float, int] = {}  # level -> right readings
        self.undecided: dict[float, int] = {}  # level -> undecided readings

    def look(self) -> None:
        """The cluster or the supply changed: take over the course, where it is known."""
        self.version = self.cluster.version
        self._cause = self.cluster.cause
        self._close()
        bypassed = self.rule.subject in self.cluster.bypassed
        found = None if bypassed else self.cluster.settled_course(self.rule.subject)
        if found is None or not isinstance(found[0], Steady) or found[0].hi_pct - found[0].lo_pct > 1.0:
            self.limits = None
            return
        course, since, _ = found
        self._level = round((course.lo_pct + course.hi_pct) / 2, 1)
        self.limits = band(self.load, (course.lo_pct, course.hi_pct), self.volts)
        self._tells = course.hi_pct <= 0 or self.limits.ok_low > 0
        self.from_ns = since + self._settle_ns

    def supply(self, volts: float) -> None:
        """The band moves with the supply."""
        if abs(volts - self.volts[0]) > SUPPLY_MOVED_V:
            self.volts = volts, volts
            self.version = -1

    def forget(self) -> None:
        """What it has shown so far does not count."""
        self.finish()
        self.shown.clear()
        self.undecided.clear()

    def _close(self) -> None:
        if self._right:
            self.shown[self._level] = self.shown.get(self._level, 0) + self._right
        elif self._undecided and self._tells:
            self.undecided[self._level] = self.undecided.get(self._level, 0) + self._undecided
        self._right = self._undecided = self._wrong = 0

    def finish(self) -> None:
        """Count what the last steady stretch showed."""
        self._close()

    def is_odd(self, amps: NDArray[np.float64], t_ns: NDArray[np.int64]) -> NDArray[np.intp]:
        """Which of many readings at the present course are outside the band; 1-d."""
        limits = self.limits
        if limits is None:
            return amps[:0].nonzero()[0]
        odd = amps < limits[0]
        odd |= amps > limits[3]
        if t_ns.size and t_ns[0] < self.from_ns:
            odd &= t_ns >= self.from_ns
        return odd.nonzero()[0]

    def are_right(self, amps: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Which of many readings are what they should be; 1-d."""
        assert self.limits is not None
        right = amps >= self.limits[1]
        right &= amps <= self.limits[2]
        return right

    def passed(self, right: int, undecided: int) -> None:
        """Takes readings none of which is odd."""
        self._right += right
        self._undecided += undecided
        self._wrong = 0

    def sample(self, t_ns: int, current_a: float) -> None:
        """One reading."""
        if self.version != self.cluster.version:
            self.look()
        limits = self.limits
        if limits is None or t_ns < self.from_ns:
            return
        if limits[1] <= current_a <= limits[2]:
            self._right += 1
            self._wrong = 0
            return
        if limits[0] <= current_a <= limits[3]:
            self._undecided += 1
            self._wrong = 0
            return
        self._wrong += 1
        if self._wrong < IN_A_ROW:
            return
        side = "low" if current_a < limits[0] else "high"
        if self._reported == (self._level, side):
            return
        self._reported = (self._level, side)
        expected = f"{limits.words()} ({level_words(self._level)})"
        self._report(
            Found(
                "current",
                self.rule.signal,
                self.rule.subject,
                t_ns,
                self.from_ns,
                expected,
                f"{current_a:.2f} A",
                self._cause,
                (self.cluster.number,),
                amps=(current_a, limits.ok_low, limits.ok_high),
            )
        )
