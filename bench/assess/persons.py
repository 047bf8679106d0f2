"""What a person was asked and answered: by hand, looks. What nobody confirmed is a doubt."""

from __future__ import annotations

from collections.abc import Mapping

from bench.core import event as ev
from bench.core.entry import Answered, Asked
from bench.core.event import Event
from bench.core.model import State
from bench.core.plan import LOOK, OVERLOAD
from bench.core.signal import Observation
from bench.definitions.words import FAULT
from bench.judge import Judge
from bench.spec.model import Spec

from .answers import DONE, UNANSWERED, why_not
from .causes import Causes
from .coverage import Coverage
from .findings import Findings
from .looks import Looks
from .overloads import Overloads


def _of(asked: Asked) -> str:
    return f"{asked.name} {'by hand' if asked.value else 'back from by hand'}"


class Persons:
    """Follows questions and answers. A person's word alone never makes a discrepancy: a box is judged by
    hand only where its own reports agree with what the person says was moved."""

    def __init__(self, spec: Spec, judge: Judge, causes: Causes, findings: Findings) -> None:
        self._spec, self._judge, self._causes, self._findings = spec, judge, causes, findings
        self._looks = Looks(spec, judge, causes, findings)
        self.overloads = Overloads(spec, judge, causes, findings)
        self._open: Asked | None = None
        self._before: dict[int, State | None] = {}
        self.by_hand: set[str] = set()  # circuits that are by hand, as confirmed
        self.on_their_word: set[str] = set()  # circuits whose box cannot know whether they are by hand

    def asked(self, mark: Asked) -> None:
        """From here on the circuits of that box may do anything: a hand is in it."""
        self.given_up(mark.t_ns, "no_answer")
        self._open = mark
        if mark.what == LOOK:
            self._looks.asked(mark)
        circuit = self._spec.circuits.get(mark.name)
        if mark.what in (ev.BY_HAND, OVERLOAD) and circuit is not None:
            names = [c.name for c in self._spec.circuits.values() if c.box == circuit.box]
            clusters = dict.fromkeys(self._judge.cluster_of[name] for name in names)
            unsensed = self._spec.boxes[circuit.box].by_hand.sensed == "none"
            if unsensed and mark.what == ev.BY_HAND:
                self._judge.bypass(names, True)
                self.on_their_word.update(names)
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
        if asked.what == OVERLOAD:
            self.overloads.answered(asked, mark, reported, self._before)
            return
        if asked.what != ev.BY_HAND:
            why = "" if mark.answer in DONE else why_not(mark.answer)
            why = why or self._looks.answered(asked, mark, reported, coverage)
            if why:
                self._findings.doubt(asked.name, f"question {asked.number}: {why}{tail}", mark.t_ns)
            return
        was_done = mark.answer in DONE
        why = self._disagrees(asked, reported) if was_done else why_not(mark.answer)
        if mark.answer == "not_so":  # done, so the box is judged by it; what was seen is a doubt of its own
            self._findings.doubt(asked.name, f"{_of(asked)}: {why_not(mark.answer)}{tail}", mark.t_ns)
        if why:
            self._findings.doubt(asked.name, f"{_of(asked)}: {why}{tail}", mark.t_ns)
            self._judge.worked(self._before, None, self._claim(asked, mark.t_ns) if was_done else 0)
            return
        if not asked.value and asked.name not in self.by_hand:
            self._back(asked.name)
            self._judge.worked(self._before, None, 0)  # what was moved before is not known
            return
        (self.by_hand.add if asked.value else self.by_hand.discard)(asked.name)
        if not asked.value:
            self._back(asked.name)
        if asked.name in self.on_their_word:
            coverage.told.add(asked.name)
        event = Event(mark.t_ns, ev.BY_HAND, asked.name, asked.value)
        stimulus = self._causes.by_person(event)
        stimulus.clusters = self._judge.worked(self._before, event, stimulus.number)
        if not stimulus.clusters:
            stimulus.doubt = "its state was not known before"
            self._findings.doubt(asked.name, f"{stimulus.words()}: {stimulus.doubt}", mark.t_ns)

    def _claim(self, asked: Asked, t_ns: int) -> int:
        """The number of what a person says that they did, though the box does not agree."""
        stimulus = self._causes.by_person(Event(t_ns, ev.BY_HAND, asked.name, asked.value))
        stimulus.maybe = True
        return stimulus.number

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

    def why_not_current(self, circuit: str) -> str:
        """Why the current of a circuit proves nothing against its box; empty when it may."""
        if circuit not in self.on_their_word:
            return ""
        return "a circuit of its box was worked by hand, and the box cannot know whether it was put back"

    def given_up(self, t_ns: int, answer: str = UNANSWERED) -> None:
        """The question that is open, if any, will not be answered."""
        if self._open is not None:
            self.answered(Answered(t_ns, self._open.number, answer), {}, Coverage())
