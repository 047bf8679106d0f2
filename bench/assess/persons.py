"""What a person was asked and answered: by hand, looks. What nobody confirmed is a doubt."""

from __future__ import annotations

from collections.abc import Mapping

from bench.core import event as ev
from bench.core.entry import Answered, Asked
from bench.core.event import Event
from bench.core.model import State
from bench.core.signal import Observation
from bench.definitions.words import FAULT
from bench.judge import Judge
from bench.spec.model import Spec

from .causes import Causes
from .coverage import Coverage
from .findings import Findings

UNANSWERED = "unanswered"
NOT_DONE = {
    "skipped": "the person skipped it",
    "no_answer": "nobody answered in time",
    "not_so": "the person saw it otherwise",
    UNANSWERED: "the run ended before it was answered",
}


class Persons:
    """Follows questions and answers. A person's word alone never makes a discrepancy: a box is judged by
    hand only where its own reports agree with what the person says was moved."""

    def __init__(self, spec: Spec, judge: Judge, causes: Causes, findings: Findings) -> None:
        self._spec, self._judge, self._causes, self._findings = spec, judge, causes, findings
        self._open: Asked | None = None
        self._before: dict[int, State | None] = {}
        self.by_hand: set[str] = set()  # circuits that are by hand, as confirmed

    def asked(self, mark: Asked) -> None:
        """From here on the circuits of that box may do anything: a hand is in it."""
        self.given_up(mark.t_ns, "no_answer")
        self._open = mark
        circuit = self._spec.circuits.get(mark.name)
        if mark.what == ev.BY_HAND and circuit is not None:
            names = [c.name for c in self._spec.circuits.values() if c.box == circuit.box]
            clusters = dict.fromkeys(self._judge.cluster_of[name] for name in names)
            if self._spec.boxes[circuit.box].by_hand.sensed == "none":
                self._judge.bypass(names, True)
            self._before = self._judge.let_work(clusters, mark.t_ns)

    def answered(self, mark: Answered, reported: Mapping[str, Observation], coverage: Coverage) -> None:
        """The answer to the open question; one to another question is none."""
        asked = self._open
        if asked is None or asked.number != mark.number:
            self._findings.doubt(
                "person", f"an answer to question {mark.number}, which is not open", mark.t_ns
            )
            return
        self._open = None
        tail = f" ({mark.comment})" if mark.comment else ""
        if asked.what != ev.BY_HAND:
            if mark.answer == "done":
                coverage.looks[asked.name] = coverage.looks.get(asked.name, 0) + 1
            else:
                why = NOT_DONE.get(mark.answer, f"the answer is {mark.answer!r}")
                self._findings.doubt(asked.name, f"asked {asked.question!r}: {why}{tail}", mark.t_ns)
            return
        why = NOT_DONE.get(mark.answer, "") if mark.answer != "done" else ""
        if mark.answer != "done" and not why:
            why = f"the answer is {mark.answer!r}"
        why = why or self._disagrees(asked, reported)
        if why:
            what = "by hand" if asked.value else "back from by hand"
            self._findings.doubt(asked.name, f"{asked.name} {what}: {why}{tail}", mark.t_ns)
            self._judge.worked(self._before, None, 0)
            return
        if not asked.value and asked.name not in self.by_hand:
            self._back(asked.name)
            self._judge.worked(self._before, None, 0)  # what was moved before is not known
            return
        (self.by_hand.add if asked.value else self.by_hand.discard)(asked.name)
        if not asked.value:
            self._back(asked.name)
        event = Event(mark.t_ns, ev.BY_HAND, asked.name, asked.value)
        stimulus = self._causes.by_person(event)
        stimulus.clusters = self._judge.worked(self._before, event, stimulus.number)
        if not stimulus.clusters:
            stimulus.doubt = "its state was not known before"
            self._findings.doubt(asked.name, f"{stimulus.words()}: {stimulus.doubt}", mark.t_ns)

    def _back(self, name: str) -> None:
        box = self._spec.circuits[name].box
        circuits = [c.name for c in self._spec.circuits.values() if c.box == box]
        if self.by_hand.isdisjoint(circuits):
            self._judge.bypass(circuits, False)

    def _disagrees(self, asked: Asked, reported: Mapping[str, Observation]) -> str:
        """Why box and person do not say the same about what is by hand; empty when they do."""
        box = self._spec.boxes[self._spec.circuits[asked.name].box]
        if box.by_hand.sensed != "flag":
            return ""
        wanted = (self.by_hand | {asked.name}) if asked.value else self.by_hand - {asked.name}
        for circuit in self._spec.circuits.values():
            if circuit.box != box.name:
                continue
            seen = reported.get(f"fault:{circuit.name}")
            if seen is None:
                continue
            shown = seen.value == FAULT["by_hand"]
            if shown != (circuit.name in wanted):
                said = "reports" if shown else "does not report"
                return f"the person says it is done, but box {box.name} {said} {circuit.name} by hand"
        return ""

    def given_up(self, t_ns: int, answer: str = UNANSWERED) -> None:
        """The question that is open, if any, will not be answered."""
        if self._open is not None:
            self.answered(Answered(t_ns, self._open.number, answer), {}, Coverage())
