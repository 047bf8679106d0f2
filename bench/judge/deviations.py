"""What is told of a cluster that deviates, and of what comes late or besides until it is followed again."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

from bench.core.model import Model
from bench.core.timeline import Steady

from .found import Found
from .rules import SignalRule
from .trace import Output, Segment, level_words
from .watch import fits
from .world import World


class Dead(NamedTuple):
    """The last world of a cluster, when it died, and the circuits that deviated from it."""

    t_ns: int
    world: World
    subjects: set[str]


class Deviations:
    """Of one cluster. `rules`: signal -> its circuit's place and rule. `together_ns`: so far apart may the
    reports of one instant be."""

    def __init__(
        self,
        model: Model,
        number: int,
        rules: Mapping[str, tuple[int, SignalRule]],
        report: Callable[[Found], None],
        together_ns: int,
    ) -> None:
        self._model, self._number, self._rules = model, number, rules
        self._report = report
        self._together_ns = together_ns
        self._awaited: dict[str, Segment[Output]] = {}  # what was overdue when track was lost
        self._dead: Dead | None = None

    def forget(self) -> None:
        """The cluster is followed again: nothing comes late or besides any more."""
        self._awaited.clear()
        self._dead = None

    def forget_world(self) -> None:
        """The world that died says nothing of what comes from now on."""
        self._dead = None

    def overdue(
        self, signal: str, segment: Segment[Output], t_ns: int, seen: float | None, *, unseen: bool
    ) -> None:
        """A change was never shown. `seen`: what the signal shows; `unseen`: nothing came since."""
        rule = self._rules[signal][1]
        self._awaited[signal] = segment
        words = "nothing" if seen is None else seen_words(rule, seen)
        expected = expected_words(segment.value, rule)
        self._tell("missing", signal, t_ns, segment.switch.lo, expected, words, segment.cause, unseen=unseen)

    def unexplained(self, worlds: Sequence[World], signal: str, t_ns: int, value: float, cause: int) -> None:
        """None of the worlds explains a value. `cause`: number of the latest stimulus."""
        place, rule = self._rules[signal]
        expected = dict.fromkeys(expected_words(w.traces[place].last.value, rule) for w in worlds)
        world = worlds[0]
        kind = kind_of(world, place, rule, t_ns, value)
        if kind == "missing":
            last = self._awaited[signal] = world.traces[place].last
            cause = last.cause
        since_ns = t_ns - rule.window_ns
        self._tell(kind, signal, t_ns, since_ns, " or ".join(expected), seen_words(rule, value), cause)
        self._dead = Dead(t_ns, world, {rule.subject})

    def while_lost(self, t_ns: int, signal: str, value: float, cause: int) -> None:
        """Nothing is judged, but what came too late is named, and what deviates at the same time: the
        circuit at fault may be reported after one that follows it."""
        segment = self._awaited.get(signal)
        if segment is not None and fits(segment.value, self._rules[signal][1], value, t_ns):
            del self._awaited[signal]
            self._late(segment, t_ns, signal, value)
        elif self._dead is not None and t_ns <= self._dead.t_ns + self._together_ns:
            self._besides(self._dead, t_ns, signal, value, cause)

    def _late(self, segment: Segment[Output], t_ns: int, signal: str, value: float) -> None:
        rule = self._rules[signal][1]
        within = f"{expected_words(segment.value, rule)} within {rule.deadline_ns / 1e6:.0f} ms"
        seen = f"{seen_words(rule, value)} after {(t_ns - segment.switch.hi) / 1e6:.0f} ms"
        self._tell("late", signal, t_ns, segment.switch.lo, within, seen, segment.cause)

    def _besides(self, dead: Dead, t_ns: int, signal: str, value: float, cause: int) -> None:
        due = self._model.next_due(self._number, dead.world.state)
        if due is not None and due[0] <= t_ns:
            return
        place, watch = dead.world.watches[signal]
        rule, trace = watch.rule, dead.world.traces[place]
        if rule.subject in dead.subjects or watch.sample(trace, t_ns, value):
            return
        dead.subjects.add(rule.subject)
        kind = kind_of(dead.world, place, rule, t_ns, value)
        expected, seen = expected_words(trace.last.value, rule), seen_words(rule, value)
        self._tell(kind, signal, t_ns, t_ns - rule.window_ns, expected, seen, cause)

    def _tell(
        self,
        kind: str,
        signal: str,
        t_ns: int,
        since_ns: int,
        expected: str,
        seen: str,
        cause: int,
        *,
        unseen: bool = False,
    ) -> None:
        subject = self._rules[signal][1].subject
        self._report(
            Found(kind, signal, subject, t_ns, since_ns, expected, seen, cause, (self._number,), unseen)
        )


def kind_of(world: World, place: int, rule: SignalRule, t_ns: int, value: float) -> str:
    """missing: still what it was before; level: on, but not as it should be; else unexpected."""
    segments = world.traces[place].segments
    last, began = segments[-1].value, segments[-1].switch
    recent = t_ns - began.hi <= 2 * (rule.window_ns + rule.cycle_ns)
    if recent and len(segments) > 1 and fits(segments[-2].value, rule, value, began.lo):
        return "missing"
    dark = isinstance(last.course, Steady) and last.course.hi_pct <= 0
    return "level" if value > 0 and rule.kind == "level" and not dark else "unexpected"


def expected_words(value: Output, rule: SignalRule) -> str:
    """What a signal should have shown, for people."""
    if rule.kind == "state" and isinstance(value.course, Steady):
        return "off" if value.course.hi_pct <= 0 else "on" if value.course.lo_pct > 0 else "off or on"
    return value.words()


def seen_words(rule: SignalRule, value: float) -> str:
    """What a signal showed, for people."""
    return level_words(value) if rule.kind == "level" else ("on" if value > 0 else "off")
