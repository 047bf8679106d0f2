"""A supply whose voltage the bench moves: what the boxes then do, and from when on it is judged again.

Between the setting and the moment by which every box must have done what is agreed nothing of the boxes is
judged, as while a person works at them. What a box does below `low_v` is judged where the spec says it, else
nothing is; whether a stretch was long enough must be sure by the stamps, or the box is taken up anew from
what it reports.
"""

from __future__ import annotations

from dataclasses import dataclass

from bench.core.entry import SupplyReached, SupplySet
from bench.core.event import SHED, Event
from bench.core.model import Model, State
from bench.judge import Judge
from bench.judge.rules import MS
from bench.spec.model import Box, Spec

from .agenda import Agenda
from .causes import Causes
from .findings import Findings

REPORT_NS = 800 * MS  # then a box has measured and reported what it measures
SHORT = 0.8  # a stretch this part of `low_for_s` is surely too short to count
UNAGREED = 0.9  # of its nominal voltage: below, nothing is agreed for a box without limits
MS_OF_S = 1000


@dataclass(slots=True)
class _Low:
    """What is known of one box. `shed`: None where it is not. `since_ns`: since when it may be low."""

    box: Box
    clusters: tuple[int, ...]
    shed: bool | None = False
    since_ns: int | None = None


class Volts:
    """Once judging has begun: follows the voltage that the supply is set to."""

    def __init__(
        self, spec: Spec, model: Model, judge: Judge, causes: Causes, findings: Findings, agenda: Agenda
    ) -> None:
        self._model, self._judge, self._causes = model, judge, causes
        self._findings, self._agenda = findings, agenda
        self._boxes = [_Low(b, _clusters_of(spec, judge, b.name)) for b in spec.boxes.values()]
        self._respond_ns = max(round((b.respond_ms + b.settle_ms) * MS) for b in spec.boxes.values())
        self._before: dict[int, State | None] | None = None
        self._due_ns: int | None = None
        self._reached: SupplyReached | None = None

    def set(self, mark: SupplySet) -> None:
        """From here on the voltage moves."""
        self._due_ns = self._reached = None
        self._findings.supply_moves(mark.t_ns, f"the supply was on its way to {mark.volts:g} V")
        if self._before is None:
            self._before = self._judge.let_work(range(len(self._judge.clusters)), mark.t_ns)
        for low in self._boxes:
            if low.since_ns is None and mark.volts < _low_v(low.box):
                low.since_ns = mark.t_ns

    def reached(self, mark: SupplyReached) -> None:
        """The supply measures what it was set to; the boxes do what is agreed some time from here."""
        if self._before is None:
            return
        self._reached = mark
        waits_s = max(_waits_s(low, mark) for low in self._boxes)
        self._due_ns = mark.t_ns + round(waits_s * MS_OF_S * MS) + self._respond_ns + REPORT_NS
        self._agenda.by(self._due_ns)

    def pass_time(self, now_ns: int) -> None:
        """Takes the boxes up again once all is done."""
        if self._due_ns is None or self._reached is None:
            return
        if now_ns < self._due_ns:
            self._agenda.by(self._due_ns)
            return
        if any(low.box.supply is None and self._reached.volts < _low_v(low.box) for low in self._boxes):
            self._due_ns = None  # nothing is agreed here: not judged until it is over
            return
        before, mark = self._before or {}, self._reached
        self._before = self._due_ns = self._reached = None
        self._findings.supply_stands(now_ns)
        done: set[int] = set()
        for low in self._boxes:
            after = _outcome(low, mark)
            again = self._judge.let_work([i for i in low.clusters if i in done], now_ns)
            mine = {i: self._undisturbed(i, before.get(i), now_ns) for i in low.clusters if i not in done}
            self._take_up({**mine, **again}, low, after, now_ns)
            done.update(low.clusters)

    def _undisturbed(self, cluster: int, state: State | None, now_ns: int) -> State | None:
        """The state before; None where a timer may have ended meanwhile."""
        due = None if state is None else self._model.next_due(cluster, state)
        return None if due is not None and due[0] <= now_ns else state

    def _take_up(self, before: dict[int, State | None], low: _Low, after: bool | None, now_ns: int) -> None:
        changed, low.shed = after is not low.shed, after
        if after is None:
            self._judge.worked(before, None, 0)
            return
        event = Event(now_ns, SHED, low.box.name, int(after))
        if not changed:
            self._judge.worked(before, event, 0)
            return
        stimulus = self._causes.by_person(event)
        stimulus.clusters = self._judge.worked(before, event, stimulus.number)

    def switched(self) -> None:
        """The supply went off: what a box shed is no matter any more."""
        if self._before is not None:
            self._judge.worked(self._before, None, 0)
        self._before = self._due_ns = self._reached = None
        for low in self._boxes:
            low.shed, low.since_ns = False, None


def _clusters_of(spec: Spec, judge: Judge, box: str) -> tuple[int, ...]:
    return tuple(dict.fromkeys(judge.cluster_of[c.name] for c in spec.circuits.values() if c.box == box))


def _low_v(box: Box) -> float:
    return box.supply.low_v if box.supply is not None else UNAGREED * box.supply_v


def _waits_s(low: _Low, mark: SupplyReached) -> float:
    """How long after the voltage is there the box may take."""
    limits = low.box.supply
    if limits is None:
        return 0.0
    if mark.volts < limits.low_v:
        return limits.low_for_s
    return limits.ends_for_s if low.shed is not False and mark.volts > limits.ends_v else 0.0


def _outcome(low: _Low, mark: SupplyReached) -> bool | None:
    """Whether the box has shed what it sheds, long after the voltage was reached; None: that is not sure."""
    since_ns, limits = low.since_ns, low.box.supply
    if mark.volts >= _low_v(low.box):
        low.since_ns = None
    if limits is None:
        return False if since_ns is None else None
    if mark.volts + mark.off_v < limits.low_v:
        return True
    if mark.volts - mark.off_v < limits.low_v or low.shed is None:
        return True if low.shed else None
    if low.shed:
        return False if mark.volts - mark.off_v > limits.ends_v else True if _between(low, mark) else None
    passed_ns = 0 if since_ns is None else mark.t_ns - since_ns
    return False if passed_ns <= SHORT * limits.low_for_s * MS_OF_S * MS else None


def _between(low: _Low, mark: SupplyReached) -> bool:
    limits = low.box.supply
    return limits is not None and mark.volts + mark.off_v < limits.ends_v
