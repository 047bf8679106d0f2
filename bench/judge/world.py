"""One possible state of a cluster with the recent past that led to it."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import NamedTuple

from bench.core.model import State
from bench.core.timeline import Course

from .rules import SignalRule
from .trace import Output, Segment, Switch, Trace
from .watch import Watch

Watches = dict[str, tuple[int, Watch[Output]]]  # signal -> its circuit's place in the cluster, and its watch


class Before(NamedTuple):
    """The state before a change that time brought about at `switch`, and before earlier ones."""

    state: State
    switch: Switch
    earlier: Before | None = None


def outline_of(before: Before | None) -> Hashable:
    """The states to which it may still turn out that time has not come, without instants."""
    return (before.state, outline_of(before.earlier)) if before is not None else None


class Root:
    """A world that others fork from: what they have in common ends here."""

    __slots__ = ("last",)

    def __init__(self, world: World) -> None:
        self.last = tuple(t.last.number for t in world.traces)


class World:
    """State, one trace a circuit, one watch a signal."""

    __slots__ = ("before", "root", "state", "traces", "watches")

    def __init__(self, state: State, traces: list[Trace[Output]], watches: Watches) -> None:
        self.state = state
        self.traces = traces
        self.watches = watches
        self.before: Before | None = None  # the state before an end that may still be to come
        self.root: Root | None = None

    @classmethod
    def fresh(
        cls,
        state: State,
        courses: Sequence[Course],
        rules: Mapping[str, tuple[int, SignalRule]],
        t_ns: int,
        cause: int,
    ) -> World:
        """A world without a past: nothing is owed."""
        switch = Switch(t_ns, t_ns)
        traces = [Trace(Segment(0, switch, Output(c), cause)) for c in courses]
        return cls(state, traces, {s: (place, Watch(rule)) for s, (place, rule) in rules.items()})

    def copy(self, state: State) -> World:
        """An independent world with another state and the same past."""
        switches: dict[int, Switch] = {}
        traces = [t.copy(switches) for t in self.traces]
        watches = {s: (p, w.copy(traces[p])) for s, (p, w) in self.watches.items()}
        new = World(state, traces, watches)
        new.root = self.root
        new.before = _copied(self.before, switches)
        return new

    def outline(self) -> Hashable:
        """State and courses since the root, without instants: equal for forks that came to the same."""
        last = self.root.last if self.root is not None else (0,) * len(self.traces)
        courses = [
            tuple(s.value.course for s in trace.segments if s.number > since)
            for trace, since in zip(self.traces, last, strict=True)
        ]
        return id(self.root), self.state, tuple(courses)

    def follow(self, courses: Sequence[Course], switch: Switch, cause: int) -> bool:
        """New courses begin at `switch`; True when any output changed."""
        changed = False
        for place, (trace, course) in enumerate(zip(self.traces, courses, strict=True)):
            if trace.last.value.course == course:
                continue
            changed = True
            trace.begin(switch, Output(course), cause)
            for at, watch in self.watches.values():
                if at == place:
                    watch.owe(trace, switch.lo)
        return changed

    def narrow(self, state: State, courses: Sequence[Course]) -> None:
        """Something became known that was so all along: the open segments are corrected in place."""
        self.state = state
        for trace, course in zip(self.traces, courses, strict=True):
            if trace.last.value.course != course:
                trace.last.value = Output(course)

    def undone(self) -> World:
        """The world in which the latest change that time brought about has not come yet."""
        assert self.before is not None
        new = self.copy(self.before.state)
        assert new.before is not None
        switch, new.before = new.before.switch, new.before.earlier
        for place, trace in enumerate(new.traces):
            first = trace.segments[0].number
            dropped = {s.number for s in trace.segments if s.switch is switch and s.number > first}
            if dropped:
                trace.segments = [s for s in trace.segments if s.number not in dropped]
                for at, watch in new.watches.values():
                    if at == place:
                        watch.owed = [s for s in watch.owed if s.number not in dropped]
        return new

    def ended_by(self, t_ns: int) -> None:
        """What time has brought about in this world came before a stimulus of `t_ns` at the latest."""
        while self.before is not None:
            end, self.before = self.before.switch, self.before.earlier
            end.hi = max(end.lo, min(end.hi, t_ns))

    def at_rest(self, since_ns: int) -> bool:
        """Nothing has changed after `since_ns` and nothing is owed."""
        return all(t.steady_since() < since_ns for t in self.traces) and not any(
            w.owed for _, w in self.watches.values()
        )

    def agrees(self, other: World) -> bool:
        """Whether both have the same outputs at present."""
        return all(
            a.last.value.course == b.last.value.course for a, b in zip(self.traces, other.traces, strict=True)
        )

    def exact(self) -> bool:
        """Whether every output is known to within a report's resolution, or moving as told."""
        for trace in self.traces:
            course = trace.last.value.course
            if not hasattr(course, "turns") and course.hi_pct - course.lo_pct > 1.0:
                return False
        return True


def _copied(before: Before | None, switches: Mapping[int, Switch]) -> Before | None:
    if before is None:
        return None
    switch = switches.get(id(before.switch), before.switch)
    return Before(before.state, switch, _copied(before.earlier, switches))
