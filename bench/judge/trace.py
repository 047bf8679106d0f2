"""The recent expected course of one signal's subject, and the sample rule over it.

A trace is a list of segments; each begins at an instant that may be uncertain (a `Switch`, shared
by every segment that the same cause began) and lasts until the next begins.
"""

from __future__ import annotations

from typing import Generic, Protocol, TypeVar

from bench.core.timeline import Course

FOREVER = 1 << 62


class Switch:
    """An instant known to lie in [lo, hi] (nanoseconds)."""

    __slots__ = ("hi", "lo")

    def __init__(self, lo: int, hi: int) -> None:
        self.lo = lo
        self.hi = hi


class Value(Protocol):
    """What a signal shows during a segment."""

    def admits(self, value: float, tolerance: float, from_ns: int, to_ns: int) -> bool:
        """Whether `value` may be shown at some instant of [from_ns, to_ns]."""
        ...

    def admits_state(self, value: float, from_ns: int, to_ns: int) -> bool:
        """The same as an on/off report shows it: on is anything above 0."""
        ...

    def spans(self, at_ns: int) -> tuple[tuple[float, float], ...]:
        """All that may be shown at an instant."""
        ...

    def words(self) -> str:
        """For people."""
        ...


V = TypeVar("V", bound=Value)


class Output:
    """A circuit's output as level (percent) reports it."""

    __slots__ = ("course",)

    def __init__(self, course: Course) -> None:
        self.course = course

    def admits(self, value: float, tolerance: float, from_ns: int, to_ns: int) -> bool:
        lo, hi = self.course.span(from_ns, to_ns)
        return lo - tolerance <= value <= hi + tolerance

    def admits_state(self, value: float, from_ns: int, to_ns: int) -> bool:
        lo, hi = self.course.span(from_ns, to_ns)
        return hi > 0 if value > 0 else lo <= 0

    def spans(self, at_ns: int) -> tuple[tuple[float, float], ...]:
        return (self.course.span(at_ns, at_ns),)

    def words(self) -> str:
        course = self.course
        if hasattr(course, "turns"):
            return "a moving level"
        if course.lo_pct == course.hi_pct:
            return level_words(course.lo_pct)
        return f"{course.lo_pct:.1f} to {course.hi_pct:.1f} %"


def level_words(level: float) -> str:
    """`off`, `on` or `on at 30 %`."""
    if level <= 0:
        return "off"
    return "on" if level >= 99.99 else f"on at {level:.4g} %"


def overlap(a: Value, b: Value, at_ns: int) -> bool:
    """Whether both may show the same value at `at_ns`: a change between them may be none."""
    return any(
        lo <= other_hi and other_lo <= hi
        for lo, hi in a.spans(at_ns)
        for other_lo, other_hi in b.spans(at_ns)
    )


class Choice:
    """An indicator's possible values, as intervals."""

    __slots__ = ("intervals",)

    def __init__(self, intervals: tuple[tuple[float, float], ...]) -> None:
        self.intervals = intervals

    def admits(self, value: float, tolerance: float, from_ns: int, to_ns: int) -> bool:
        return any(lo - tolerance <= value <= hi + tolerance for lo, hi in self.intervals)

    def admits_state(self, value: float, from_ns: int, to_ns: int) -> bool:
        return any(hi > 0 if value > 0 else lo <= 0 for lo, hi in self.intervals)

    def spans(self, at_ns: int) -> tuple[tuple[float, float], ...]:
        return self.intervals

    def words(self) -> str:
        return " or ".join(f"{lo:g}" if lo == hi else f"{lo:g} to {hi:g}" for lo, hi in self.intervals)


class Segment(Generic[V]):
    """One value from `switch` on. `number` grows by one along the trace; `cause` its stimulus.

    `patience_ns`: longer until it must be shown, where the box may have seen no change to report.
    """

    __slots__ = ("cause", "number", "patience_ns", "switch", "value")

    def __init__(self, number: int, switch: Switch, value: V, cause: int) -> None:
        self.number = number
        self.switch = switch
        self.value = value
        self.cause = cause
        self.patience_ns = 0


class Trace(Generic[V]):
    """Segments in order; the last one is still open."""

    __slots__ = ("segments",)

    def __init__(self, first: Segment[V]) -> None:
        self.segments = [first]

    @property
    def last(self) -> Segment[V]:
        return self.segments[-1]

    def begin(self, switch: Switch, value: V, cause: int) -> Segment[V]:
        """A new segment begins; returns it."""
        segment = Segment(self.segments[-1].number + 1, switch, value, cause)
        self.segments.append(segment)
        return segment

    def forget_before(self, t_ns: int) -> None:
        """Drop segments that ended before `t_ns`."""
        segments = self.segments
        while len(segments) > 1 and segments[1].switch.hi < t_ns:
            segments.pop(0)

    def steady_since(self) -> int:
        """Latest instant at which the open segment may have begun."""
        return self.segments[-1].switch.hi

    def match(
        self, value: float, tolerance: float, from_ns: int, to_ns: int, floor: tuple[int, int], *, state: bool
    ) -> tuple[int, int] | None:
        """The smallest (segment number, instant) at or after `floor` within [from_ns, to_ns] at
        which `value` may be shown; None when there is none.

        The smallest choice is always the best one: it leaves most room for later samples.
        """
        segments = self.segments
        if floor[1] > from_ns:
            from_ns = floor[1]
        for i, segment in enumerate(segments):
            if segment.number < floor[0]:
                continue
            end = segments[i + 1].switch.hi if i + 1 < len(segments) else FOREVER
            a = segment.switch.lo if i else -FOREVER
            if a < from_ns:
                a = from_ns
            b = to_ns if to_ns < end else end
            if a > b or (a == b == end and end != FOREVER and i + 1 < len(segments)):
                continue
            shown = segment.value
            if shown.admits_state(value, a, b) if state else shown.admits(value, tolerance, a, b):
                return segment.number, a
        return None

    def copy(self, switches: dict[int, Switch]) -> Trace[V]:
        """An independent copy; switches shared between traces stay shared through `switches`."""
        new: Trace[V] = Trace.__new__(Trace)
        new.segments = []
        for s in self.segments:
            key = id(s.switch)
            if key not in switches:
                switches[key] = Switch(s.switch.lo, s.switch.hi)
            copied = Segment(s.number, switches[key], s.value, s.cause)
            copied.patience_ns = s.patience_ns
            new.segments.append(copied)
        return new
