"""Entries that are no frames: what the bench says of itself, of the supply and of a person."""

from __future__ import annotations

from bench.core.entry import (
    AdapterLate,
    Answered,
    Asked,
    Confirmed,
    Dropped,
    Ended,
    HostLate,
    LinkLost,
    Mark,
    Refused,
    StepMark,
    SupplyConfirmed,
    SupplyMeter,
    SupplyReached,
    SupplyRead,
    SupplySet,
    SupplySwitched,
    SupplyTrouble,
)
from bench.core.event import SUPPLY, Event
from bench.judge.rules import MS
from bench.judge.sleep import WAKING

from .coverage import Coverage
from .findings import Findings
from .parts import Parts

SUPPLY_KNOWN_NS = 4_000 * MS  # by then a supply that does not answer is known not to
DROP_BLIND_NS = 200 * MS  # a drop may be noticed this long after it happened
GAP_NS = 300 * MS  # so long without a frame, and frames missing: what is remembered unseen may have changed


def doubt(mark: Mark, findings: Findings) -> None:
    """What a mark says against the bench itself, whether judging has begun or not."""
    t_ns = mark.t_ns
    if isinstance(mark, Dropped):
        lost = f"{mark.lost} lost" if mark.lost else "frames may be missing"
        findings.blinded(t_ns - DROP_BLIND_NS, t_ns, f"{lost} at {mark.where}")
    elif isinstance(mark, HostLate | AdapterLate):
        findings.late(_late_since(mark), t_ns, _late_words(mark))
    elif isinstance(mark, LinkLost):
        findings.doubt("link", f"the link was lost: {mark.reason}", t_ns)
    elif isinstance(mark, SupplyTrouble):
        findings.supply_bad(mark.since_ns, t_ns, mark.reason)
    elif isinstance(mark, Ended) and mark.reason != "complete":
        findings.doubt("run", f"the run did not finish: {mark.reason}", t_ns)


def _late_since(mark: HostLate | AdapterLate) -> int:
    return mark.t_ns - round(mark.late_ms * MS)


def _late_words(mark: HostLate | AdapterLate) -> str:
    if isinstance(mark, AdapterLate):
        return f"the adapter did not answer for {mark.late_ms:.0f} ms and may have held frames back"
    return f"the bench was late by {mark.late_ms:.0f} ms"


class Marks:
    """Once judging has begun: tells of marks whoever they concern."""

    def __init__(self, parts: Parts) -> None:
        self._definitions, self._judge, self._causes = parts.definitions, parts.judge, parts.causes
        self._findings, self._lost, self._boots = parts.findings, parts.lost, parts.boots
        self._ears, self._persons, self._reported = parts.ears, parts.persons, parts.reported
        self._witnessed, self._volts = parts.witnessed, parts.volts

    def take(self, mark: Mark, frame_ns: int, coverage: Coverage) -> None:
        """One mark, after a frame of `frame_ns`."""
        if isinstance(mark, Confirmed):
            self._causes.confirmed(mark)
            self._lost.confirmed(mark.tag)
        elif isinstance(mark, Refused):
            self._causes.refused(mark)
        elif isinstance(mark, StepMark):
            self._causes.step = mark
        elif isinstance(mark, SupplyRead):
            self._watched()
            self._witnessed.read(mark)
        elif isinstance(mark, Dropped):
            self._dropped(mark, frame_ns)
        elif isinstance(mark, HostLate | AdapterLate):
            self._late(mark)
        elif isinstance(mark, Asked):
            self._persons.asked(mark)
            self._witnessed.asked(mark)
        elif isinstance(mark, Answered):
            self._persons.answered(mark, self._reported, coverage)
            self._witnessed.answered(mark)
        else:
            self._supply(mark)

    def _dropped(self, mark: Dropped, frame_ns: int) -> None:
        self._judge.blinded(mark.t_ns - DROP_BLIND_NS, mark.t_ns)
        if mark.t_ns - frame_ns > GAP_NS:
            self._begin_anew(mark.t_ns)
            self._definitions.forget()

    def _begin_anew(self, t_ns: int) -> None:
        self._judge.begin_anew(t_ns)
        self._causes.forget()

    def _late(self, mark: HostLate | AdapterLate) -> None:
        """Stamps of that stretch are late. Where nothing was changing this costs nothing."""
        self._witnessed.late(mark.t_ns)
        cost = self._judge.blinded(_late_since(mark), mark.t_ns)
        if cost:
            why = f"{_late_words(mark)} while these were judged: {', '.join(cost)}"
            self._findings.doubt("bench", why, mark.t_ns)

    # ---- the supply
    def _supply(self, mark: Mark) -> None:
        if isinstance(mark, SupplySwitched):
            self._switched(mark)
        elif isinstance(mark, SupplyConfirmed):
            if mark.on:
                self._boots.confirmed(mark.box, mark.t_ns)
        elif isinstance(mark, SupplyMeter):
            self._witnessed.meter(mark)
        elif isinstance(mark, SupplySet):
            self._witnessed.begin_anew()
            self._volts.set(mark)
        elif isinstance(mark, SupplyReached):
            self._volts.reached(mark)
        elif isinstance(mark, SupplyTrouble):  # whatever the boxes did since then, it may have made them do
            self._judge.blinded(mark.since_ns, mark.t_ns)
            self._begin_anew(mark.t_ns)
            self._witnessed.begin_anew()

    def _switched(self, mark: SupplySwitched) -> None:
        self._witnessed.begin_anew()
        self._volts.switched()
        if mark.on:
            if self._boots.powered(mark.box, mark.t_ns):
                self._ears.goes_dark(mark.box, mark.t_ns, WAKING)
            return
        self._causes.apply(Event(mark.t_ns, SUPPLY, mark.box, 0), mark.t_ns)
        self._boots.dark(mark.box, mark.t_ns)
        self._ears.goes_dark(mark.box, mark.t_ns)

    def _watched(self) -> None:
        """The supply is watched: a restart counts once it is known that the supply was not the cause."""
        if not self._findings.supply_watched:
            self._findings.supply_watched = True
            self._findings.hold_ns = max(self._findings.hold_ns, SUPPLY_KNOWN_NS)
