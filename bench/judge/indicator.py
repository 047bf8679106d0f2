"""Judging a lamp, a backlight or a fault flag: what the box shows of what it does."""

from __future__ import annotations

from collections.abc import Callable

from .calm import Calm
from .found import Found
from .rules import SignalRule
from .trace import FOREVER, Choice, Segment, Switch, Trace
from .watch import Watch

Intervals = tuple[tuple[float, float], ...]
ANYTHING: Intervals = ((0.0, float(1 << 32)),)
LAMP_WORDS = {0: "dark", 1: "lit", 2: "flashing"}
FAULT_WORDS = {0: "no fault", 1: "tripped", 2: "open load", 3: "by hand", 4: "overcurrent", 5: "overheat"}


class IndicatorJudge:
    """One derived signal; its possible values come from the clusters it depends on."""

    def __init__(
        self,
        rule: SignalRule,
        clusters: tuple[int, ...],
        report: Callable[[Found], None],
        calm: Calm,
        owing: set[IndicatorJudge],
    ) -> None:
        self.rule = rule
        self.clusters = clusters
        self._report = report
        self._calm = calm  # signal -> value that needs no second look; shared by the whole judge
        self._owing = owing  # those with a change still to be shown; shared by the whole judge
        self.trace: Trace[Choice] | None = None
        self.watch: Watch[Choice] = Watch(rule)
        self.muted = False  # the box has no value for it
        self.excused: int | None = None  # segment whose deviation is already reported
        self.awaited: Segment[Choice] | None = None  # what was overdue
        self.seen: float | None = None
        self.seen_at = -FOREVER

    def expect(self, intervals: Intervals | None, switch: Switch, cause: int, *, apart: bool = False) -> None:
        """Possible values from `switch` on; None: nothing can be expected at present. `apart`: what will
        be learned of them says nothing of the values before."""
        self._calm.stir(self.rule.signal)
        if intervals is None or self.muted:
            self.trace = None
            return
        if self.trace is None:
            self.trace = Trace(Segment(0, Switch(-FOREVER, -FOREVER), Choice(ANYTHING), cause))
            self.trace.begin(switch, Choice(intervals), cause)  # what is still shown may be of before
            self.watch = Watch(self.rule)
            self.excused = None
            return
        self.trace.forget_before(switch.lo - 2 * self.rule.window_ns)
        last = self.trace.last.value
        if apart or last.intervals != intervals:
            self.trace.begin(switch, Choice(intervals), cause)
            self.watch.owe(self.trace, switch.lo)
            self._owing.add(self)
        elif not _is_one(intervals):  # as open as before, yet perhaps another value
            self.trace.begin(switch, Choice(intervals), cause)

    def narrow(self, intervals: Intervals, t_ns: int) -> None:
        """Less is possible than was thought; it was so since the open segment began."""
        if self.trace is None or self.muted:
            self.expect(intervals, Switch(t_ns, t_ns), 0)
            return
        last = self.trace.last.value
        if last.intervals != intervals:
            last.intervals = intervals
            self._calm.stir(self.rule.signal)

    def lose(self, t_ns: int) -> None:
        """Nothing can be said until `expect` or `narrow` is called again."""
        self.trace = None
        self._calm.stir(self.rule.signal)

    def next_wake(self) -> int:
        return self.watch.next_deadline() + 1 if self.trace else FOREVER

    def advance(self, t_ns: int) -> None:
        """Report changes that were never shown."""
        if self.trace is None:
            return
        while self.trace is not None and (late := self.watch.overdue(t_ns)) is not None:
            unseen = self.seen_at < late.switch.lo
            self._deviate("missing", t_ns, late.switch.lo, late, unseen)  # which may lose track
        if self.trace is not None and len(self.trace.segments) > 1:
            self.trace.forget_before(t_ns - 2 * self.rule.window_ns)

    def sample(self, t_ns: int, value: float) -> bool | None:
        """One reported value; None when it is not what it should be, or nothing can be expected. True when
        the same value needs no second look before something changes."""
        self.seen, self.seen_at = value, t_ns
        trace = self.trace
        if trace is None:
            return None
        settled = self.watch.explain(trace, t_ns, value)
        if settled is not None:
            if self.awaited is not None and self.excused == trace.last.number:
                self._tell_late(self.awaited, t_ns)
            self.excused = self.awaited = None
            if settled and self.rule.kind != "fault":  # fault flags also narrow clusters
                self._calm[self.rule.signal] = value
            return settled
        self._deviate("unexpected", t_ns, t_ns - self.rule.window_ns, trace.last, False)
        return None

    def _deviate(self, kind: str, t_ns: int, since_ns: int, segment: Segment[Choice], unseen: bool) -> None:
        assert self.trace
        if self.excused == self.trace.last.number:
            return
        self.excused = self.trace.last.number
        if kind == "missing":
            self.awaited = segment
        self.watch.recent.clear()
        self._report(
            Found(
                kind,
                self.rule.signal,
                self.rule.subject,
                t_ns,
                since_ns,
                self._words_of(segment),
                "nothing" if self.seen is None else self._words(self.seen),
                segment.cause,
                self.clusters,
                unseen,
            )
        )

    def _tell_late(self, segment: Segment[Choice], t_ns: int) -> None:
        rule = self.rule
        within = f"{self._words_of(segment)} within {rule.deadline_ns / 1e6:.0f} ms"
        seen = f"after {(t_ns - segment.switch.hi) / 1e6:.0f} ms"
        since = segment.switch.lo
        self._report(
            Found("late", rule.signal, rule.subject, t_ns, since, within, seen, segment.cause, self.clusters)
        )

    def _words_of(self, segment: Segment[Choice]) -> str:
        values = []
        for low, high in segment.value.intervals:
            values.append(self._words(low) if low == high else f"{low:g} to {high:g}")
        return " or ".join(values)

    def _words(self, value: float) -> str:
        if self.rule.kind == "lamp":
            return LAMP_WORDS.get(int(value), f"{value:g}")
        if self.rule.kind == "fault":
            return FAULT_WORDS.get(int(value), f"fault {value:g}")
        return f"{value:.4g} %"


def _is_one(intervals: Intervals) -> bool:
    return len(intervals) == 1 and intervals[0][0] == intervals[0][1]
