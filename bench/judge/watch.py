"""The two rules for one signal over one trace: every sample explained, every lasting change shown."""

from __future__ import annotations

from collections import deque
from typing import Generic

from .rules import SignalRule
from .trace import FOREVER, Segment, Trace, V, Value, overlap

START = (0, -FOREVER)


class Watch(Generic[V]):
    """What has been seen of one signal, and what is still owed."""

    __slots__ = ("floor", "owed", "recent", "rule", "state")

    def __init__(self, rule: SignalRule) -> None:
        self.rule = rule
        self.state = rule.kind == "state"
        self.floor = START
        self.recent: deque[tuple[int, tuple[int, int]]] = deque()
        self.owed: list[Segment[V]] = []

    def owe(self, trace: Trace[V], begins_ns: int) -> None:
        """The last segment of `trace` began: it must be shown. The one before need not when it was
        too short to prove. Where the box may have seen no change, nothing is sent at once, and the
        next cyclic frame shows it."""
        before, segment = trace.segments[-2:]
        if self._alike(before, segment, begins_ns):
            segment.patience_ns = self.rule.cycle_ns
        window_ns = self.rule.window_ns
        lasting = [s for s in self.owed if begins_ns - s.switch.hi >= window_ns + s.patience_ns]
        if len(lasting) < len(self.owed):
            segment.patience_ns = self.rule.cycle_ns
        self.owed = [*lasting, segment]

    def _alike(self, a: Segment[V], b: Segment[V], at_ns: int) -> bool:
        """Whether both may show the same value; every level above 0 is the same state."""
        if not self.state:
            return overlap(a.value, b.value, at_ns)
        shown = (a.value, b.value)
        return any(all(v.admits_state(s, at_ns, at_ns) for v in shown) for s in (0.0, 1.0))

    def sample(self, trace: Trace[V], t_ns: int, value: float) -> bool:
        """The sample rule; False when no instant explains the value."""
        return self.explain(trace, t_ns, value) is not None

    def explain(self, trace: Trace[V], t_ns: int, value: float) -> bool | None:
        """The sample rule: None when no instant explains the value; True when the same value needs
        no second look before something changes (the open segment alone explains it, nothing is owed)."""
        rule = self.rule
        recent = self.recent
        bound = t_ns - rule.jitter_ns
        while recent and recent[0][0] < bound:
            found = recent.popleft()[1]
            if found > self.floor:
                self.floor = found
        from_ns, to_ns = t_ns - rule.window_ns, t_ns + rule.jitter_ns
        match = trace.match(value, rule.tolerance, from_ns, to_ns, self.floor, state=self.state)
        if match is None:
            return None
        if match > self.floor:
            recent.append((t_ns, match))
        if self.owed:
            self.owed = [s for s in self.owed if not self._shows(s, trace, value, from_ns, to_ns)]
        last = trace.last
        return match[0] == last.number and last.switch.hi < from_ns and not self.owed

    def _shows(self, segment: Segment[V], trace: Trace[V], value: float, from_ns: int, to_ns: int) -> bool:
        start = max(from_ns, segment.switch.lo)
        if start > to_ns:
            return False
        shown = segment.value
        if self.state:
            return shown.admits_state(value, start, to_ns)
        return shown.admits(value, self.rule.tolerance, start, to_ns)

    def grant(self, more_ns: int) -> None:
        """What is owed may wait for the next cyclic frame, `more_ns` from now."""
        for segment in self.owed:
            segment.patience_ns = self.rule.cycle_ns + more_ns

    def next_deadline(self) -> int:
        """Instant after which the first owed segment is overdue."""
        if not self.owed:
            return FOREVER
        return min(s.switch.hi + s.patience_ns for s in self.owed) + self.rule.deadline_ns

    def overdue(self, t_ns: int) -> Segment[V] | None:
        """A segment that should have been shown before `t_ns`; it is no longer owed."""
        for segment in self.owed:
            if segment.switch.hi + segment.patience_ns + self.rule.deadline_ns < t_ns:
                self.owed.remove(segment)
                return segment
        return None

    def copy(self, trace: Trace[V]) -> Watch[V]:
        """For a world that splits; owed segments are those of the copied trace."""
        new: Watch[V] = Watch(self.rule)
        new.floor = self.floor
        new.recent = self.recent.copy()
        numbers = {s.number for s in self.owed}
        new.owed = [s for s in trace.segments if s.number in numbers]
        return new


def fits(shown: Value, rule: SignalRule, value: float, t_ns: int) -> bool:
    """Whether an output may be reported as `value` at `t_ns`."""
    if rule.kind == "state":
        return shown.admits_state(value, t_ns, t_ns)
    return shown.admits(value, rule.tolerance, t_ns, t_ns)
