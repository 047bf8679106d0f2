"""Courses of a supply's voltage: brown-out, dip, over-voltage, slow ramp. Data, and the playing of it.

Levels are the caller's, within the rating the caller gives, whose limits are the defaults. Sources: jump
start 24 V for 60 s, ISO 16750-2 clause 4.3.1.2 (read in a transcription); momentary drop to 4.5 V for 100 ms
and reset steps of 5 %, ISO 16750-2 clauses 4.6.1 and 4.6.2 (from memory); brown-out and slow ramp: common
practice, no source. A bench supply follows in tens of milliseconds; `fastest_ms` says what it can.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

from bench.core.clock import Clock
from bench.core.errors import Complaint, UsageError

from .supply import Reading, Supply

MS = 1_000_000


@dataclass(frozen=True, slots=True)
class Rating:
    """What the boxes bear for any length of time, in V, and their nominal voltage."""

    nominal_v: float
    least_v: float
    most_v: float


@dataclass(frozen=True, slots=True)
class Course:
    """Voltages held from their instant on: (ms after the start, V), rising instants; it ends at `end_ms`."""

    name: str
    points: tuple[tuple[float, float], ...]
    end_ms: float
    source: str

    def volts_at(self, at_ms: float) -> float:
        """The voltage that is set then."""
        return [v for t, v in self.points if t <= at_ms][-1]

    def fits(self, rating: Rating, fastest_ms: float) -> Course:
        """Itself. Raises: UsageError for a level outside the rating, or held shorter than that."""
        wrong = []
        for _, volts in self.points:
            if volts != 0.0 and not rating.least_v <= volts <= rating.most_v:
                expected = f"0, or {rating.least_v:g} to {rating.most_v:g} V"
                wrong.append(Complaint(f"{self.name} goes to {volts:g} V", expected=expected))
        instants = [t for t, _ in self.points] + [self.end_ms]
        if any(b - a < fastest_ms for a, b in pairwise(instants)):
            text = f"{self.name} holds a level shorter than the supply can follow"
            wrong.append(Complaint(text, expected=f"at least {fastest_ms:g} ms a level"))
        if wrong:
            raise UsageError(wrong)
        return self


def brown_out(rating: Rating, *, to_v: float | None = None, for_ms: float = 5000.0) -> Course:
    """Low for a while, and back."""
    low = rating.least_v if to_v is None else to_v
    points = ((0.0, rating.nominal_v), (1000.0, low), (1000.0 + for_ms, rating.nominal_v))
    return Course("brown-out", points, 2000.0 + for_ms, "common practice, no source")


def dip(rating: Rating, *, to_v: float | None = None, for_ms: float = 100.0) -> Course:
    """Low for a moment. The standard's 4.5 V is below what many boxes are rated for: give `to_v`."""
    low = rating.least_v if to_v is None else to_v
    points = ((0.0, rating.nominal_v), (1000.0, low), (1000.0 + for_ms, rating.nominal_v))
    return Course("dip", points, 2000.0 + for_ms, "ISO 16750-2 clause 4.6.1, from memory; level as given")


def over_voltage(rating: Rating, *, to_v: float | None = None, for_ms: float = 60_000.0) -> Course:
    """High for a while, and back. The standard's jump start is 24 V for 60 s: give `to_v`."""
    high = rating.most_v if to_v is None else to_v
    points = ((0.0, rating.nominal_v), (1000.0, high), (1000.0 + for_ms, rating.nominal_v))
    return Course("over-voltage", points, 2000.0 + for_ms, "ISO 16750-2 clause 4.3.1.2; level as given")


def slow_ramp(rating: Rating, *, step_pct: float = 5.0, step_ms: float = 5000.0) -> Course:
    """Down to the least rated voltage in steps of `step_pct` of nominal, and up again."""
    step_v, levels = rating.nominal_v * step_pct / 100, [rating.nominal_v]
    while levels[-1] - step_v > rating.least_v:
        levels.append(round(levels[-1] - step_v, 3))
    levels.append(rating.least_v)
    both = levels + levels[-2::-1]
    points = tuple((i * step_ms, v) for i, v in enumerate(both))
    return Course(
        "slow ramp", points, len(both) * step_ms, "common practice, no source; 5 % steps from memory"
    )


def play(
    course: Course, supply: Supply, clock: Clock, *, told: Callable[[Reading], None] = lambda reading: None,
    stopped: Callable[[], bool] = lambda: False,
) -> float:  # fmt: skip
    """Sets each level at its instant, measures, and leaves the supply at the last; the worst lateness in ms.
    Output
    off when anything goes wrong or it is stopped.

    **Blocks:** for the course's duration. **Raises:** BenchError as `Supply` does.
    """
    start_ns, worst_ms = clock.now_ns(), 0.0
    finished = False
    try:
        for at_ms, volts in course.points:
            _wait(clock, start_ns + int(at_ms * MS), stopped)
            if stopped():
                return worst_ms
            supply.set_volts(volts)
            worst_ms = max(worst_ms, (clock.now_ns() - start_ns) / MS - at_ms)
            told(supply.measure())
        _wait(clock, start_ns + int(course.end_ms * MS), stopped)
        finished = not stopped()
        return worst_ms
    finally:
        if not finished:
            supply.switch_off()


def _wait(clock: Clock, until_ns: int, stopped: Callable[[], bool]) -> None:
    while not stopped() and (now_ns := clock.now_ns()) < until_ns:
        clock.wait_until(min(until_ns, now_ns + 50 * MS))
