"""Lamps, backlights and fault flags follow the clusters that they look at."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from bench.core.model import Model, State

from .calm import Calm
from .cluster import ClusterJudge
from .found import Found
from .indicator import ANYTHING, IndicatorJudge
from .rules import SignalRule
from .trace import FOREVER, Switch

KINDS = frozenset({"lamp", "backlight", "fault"})


class Indicators:
    """The indicator judges of a boat. `by_signal`: all of them.

    `unsure`: dark or waking box -> its clusters, which lamps of other boxes may show either way.
    """

    def __init__(
        self,
        model: Model,
        clusters: Sequence[ClusterJudge],
        rules: Mapping[str, SignalRule],
        report: Callable[[Found], None],
        calm: Calm,
    ) -> None:
        self._model, self._clusters = model, clusters
        self._owing: set[IndicatorJudge] = set()
        self.by_signal = {
            s: IndicatorJudge(rules[s], on, report, calm, self._owing)
            for s, on in model.indicators.items()
            if s in rules and rules[s].kind in KINDS
        }
        self._place = {i: n for n, i in enumerate(self.by_signal.values())}.__getitem__
        self._indicators_on: list[list[IndicatorJudge]] = [[] for _ in model.clusters]
        for indicator in self.by_signal.values():
            for i in indicator.clusters:
                self._indicators_on[i].append(indicator)
        self._versions = [-1] * len(clusters)
        self.unsure: dict[str, frozenset[int]] = {}

    # ---- time
    def advance(self, t_ns: int) -> None:
        """Report changes that were never shown."""
        for indicator in sorted(self._owing, key=self._place):
            indicator.advance(t_ns)

    def next_wake(self) -> int:
        """When `advance` has something to do."""
        wake = FOREVER
        for indicator in list(self._owing):
            if not indicator.watch.owed:
                self._owing.discard(indicator)
            elif (at := indicator.next_wake()) < wake:
                wake = at
        return wake

    def grant(self, more_ns: int) -> None:
        """What is owed may wait `more_ns` and then for a cyclic frame."""
        for indicator in self.by_signal.values():
            indicator.watch.grant(more_ns)

    def excuse(self, dark: frozenset[str]) -> None:
        """Nothing of these subjects need be shown."""
        for indicator in self.by_signal.values():
            if indicator.rule.subject in dark:
                indicator.watch.owed = []

    # ---- what the clusters may be doing
    def is_behind(self, cluster: ClusterJudge) -> bool:
        """Whether the cluster has changed since its indicators were told."""
        return cluster.version != self._versions[cluster.number]

    def _is_unsure(self, indicator: IndicatorJudge) -> bool:
        return any(i in clusters for clusters in self.unsure.values() for i in indicator.clusters)

    def refresh(self, t_ns: int, switch: Switch | None, cause: int) -> None:
        """Tell the indicators of every cluster that has changed, at `switch` by `cause` if that is known."""
        moved: dict[int, IndicatorJudge] = {}
        for index, cluster in enumerate(self._clusters):
            if cluster.version != self._versions[index]:
                self._versions[index] = cluster.version
                moved |= {id(i): i for i in self._indicators_on[index]}
        if moved:
            states = self._states()
            for indicator in moved.values():
                self._refresh_indicator(indicator, states, t_ns, switch, cause)

    def _states(self) -> list[list[State]]:
        return [[w.state for w in c.worlds] for c in self._clusters]

    def refresh_one(self, index: int, t_ns: int, switch: Switch | None, cause: int) -> None:
        """The same for one cluster."""
        self._versions[index] = self._clusters[index].version
        if indicators := self._indicators_on[index]:
            states = self._states()
            for indicator in indicators:
                self._refresh_indicator(indicator, states, t_ns, switch, cause)

    def _refresh_indicator(
        self,
        indicator: IndicatorJudge,
        states: list[list[State]],
        t_ns: int,
        switch: Switch | None,
        cause: int,
    ) -> None:
        owners = [self._clusters[i] for i in indicator.clusters]
        if any(not c.worlds for c in owners):
            indicator.lose(t_ns)
            return
        intervals = self._model.indicator(indicator.rule.signal, states)
        if self.unsure and indicator.rule.kind != "fault" and self._is_unsure(indicator):
            intervals = ANYTHING
        if switch is None and self._narrowed(indicator, intervals, t_ns):
            return
        begin = switch or Switch(t_ns, t_ns)
        passing = switch is not None and self._expect_passing(indicator, states, begin, cause)
        if passing:
            begin = Switch(begin.lo + 1, begin.hi + 1)
        ends = [w.before.switch for c in owners for w in c.worlds if w.before]
        ends = [e for e in ends if e.hi > begin.lo and e is not switch]
        if ends:
            self._expect_meanwhile(indicator, states, begin, cause)
            begin = Switch(max(begin.lo, min(e.lo for e in ends)), max(begin.hi, *(e.hi for e in ends)))
        indicator.expect(intervals, begin, cause, apart=passing or bool(ends))

    def _expect_passing(
        self, indicator: IndicatorJudge, states: list[list[State]], switch: Switch, cause: int
    ) -> bool:
        """Where stimuli came without a defined order the indicator may show whatever one of the orders
        passes through. True when it may."""
        forks = [self._clusters[i].forks for i in indicator.clusters]
        timed = any(f.timed_ns == switch.hi for f in forks)
        if not timed and len(set().union(*(f.close(switch.hi) for f in forks))) < 2:
            return False
        either = [list(s) for s in states]
        for i, fork in zip(indicator.clusters, forks, strict=True):
            if fork.timed_ns == switch.hi or fork.close(switch.hi):
                either[i] += fork.between
        indicator.expect(self._model.indicator(indicator.rule.signal, either), switch, cause, apart=True)
        return True

    def _expect_meanwhile(
        self, indicator: IndicatorJudge, states: list[list[State]], switch: Switch, cause: int
    ) -> None:
        """While the end of a timer may or may not have come, the indicator may show either."""
        either = [list(s) for s in states]
        for i in indicator.clusters:
            either[i] += [w.before.state for w in self._clusters[i].worlds if w.before]
        indicator.expect(self._model.indicator(indicator.rule.signal, either), switch, cause)

    def _narrowed(
        self, indicator: IndicatorJudge, intervals: tuple[tuple[float, float], ...], t_ns: int
    ) -> bool:
        """Whether less is possible than was thought; else something changed."""
        last = indicator.trace.last.value if indicator.trace else None
        held = getattr(last, "intervals", ())
        inside = all(any(a <= lo and hi <= b for a, b in held) for lo, hi in intervals)
        if indicator.trace is None or not inside:
            return False
        indicator.narrow(intervals, t_ns)
        return True

    def must_show(self, signal: str) -> float | None:
        """What a lamp or backlight must show now, reported or not; None where that is not known for sure."""
        on = [self._clusters[i] for i in self._model.indicators.get(signal, ())]
        unsure = {i for clusters in self.unsure.values() for i in clusters}
        for c in on:
            if (
                c.lost_until is not None
                or not c.worlds
                or c.number in unsure
                or any(w.before for w in c.worlds)
            ):
                return None
        spans = self._model.indicator(signal, [[w.state for w in c.worlds] for c in self._clusters])
        return spans[0][0] if on and len(spans) == 1 and spans[0][0] == spans[0][1] else None
