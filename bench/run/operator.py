"""The person at the bench: asked, waited for while the bus is heard, and taken at their word only as far
as the box agrees."""

from __future__ import annotations

from typing import NamedTuple, Protocol

from bench.core.clock import Clock
from bench.core.entry import Answered, Asked
from bench.core.event import BY_HAND
from bench.core.look import HEARD, READY, split
from bench.core.plan import LOOK, OVERLOAD, Step
from bench.spec.model import Spec

from .bus import MS, Bus, RunStopped

LIMIT_S = 120.0
POLL_MS = 50.0
REPORT_MS = 1500.0  # after an answer the boxes have this long, and respond_ms, to report what was done
ANSWERS = ("done", "not_so", "skipped")
NO_ANSWER = "no_answer"
ABSENT = "absent"  # said instead of an answer, with why nobody will answer any more
MOST_UNANSWERED = 3  # in a row; then nobody is there


class Question(NamedTuple):
    """As in core.entry.Asked; `limit_s`: how long an answer is waited for."""

    number: int
    kind: str
    name: str
    value: int
    text: str
    limit_s: float


class Operator(Protocol):
    """Whoever answers. Neither call blocks."""

    def ask(self, question: Question, t_ns: int) -> None:
        """Puts a question; one that is still open is withdrawn."""
        ...

    def answer(self, t_ns: int) -> tuple[str, str] | None:
        """The answer (one of ANSWERS, or ABSENT) and a comment; None: not yet."""
        ...

    def withdraw(self, why: str) -> str:
        """The question is over without an answer. What was said of it all the same."""
        ...


class Asking:
    """Plays the steps of a person. After a step that nobody confirmed, what builds on it is left out."""

    def __init__(
        self, bus: Bus, spec: Spec, operator: Operator, clock: Clock, limit_s: float = LIMIT_S
    ) -> None:
        self._bus, self._spec, self._operator, self._clock = bus, spec, operator, clock
        self._limit_s = limit_s
        self._number = self._unanswered = 0
        self._absent = ""  # why nothing more is asked
        self._unsure = ""  # the circuit whose by-hand state nobody confirmed
        self._stopped = False  # whether a circuit tripped is not known: nothing builds on that
        self._not_ready = ""  # the circuit that nobody stands ready to see or hear
        self.may_be_by_hand: set[str] = set()

    def leaves_out(self, step: Step) -> bool:
        """Whether a step is not to be done, since what it builds on was not confirmed."""
        if self._stopped:
            return True
        if self._not_ready:
            if step.kind == LOOK and step.name == f"{HEARD}{self._not_ready}":
                self._not_ready = ""
            return True
        if step.kind == LOOK or (step.kind == BY_HAND and step.value):
            self._unsure = ""
        return bool(self._unsure) and not (step.kind == BY_HAND and step.name in self.may_be_by_hand)

    def play(self, step: Step) -> None:
        """Asks and waits. Blocks: for the time limit and the time to report. Raises RunStopped."""
        bus = self._bus
        self._number += 1
        bus.mark(Asked(bus.t_ns, self._number, step.kind, step.name, step.value, step.about))
        if self._absent:
            bus.mark(Answered(bus.t_ns, self._number, NO_ANSWER, f"not asked: {self._absent}"))
            self._note(step, NO_ANSWER)
            return
        question = Question(self._number, step.kind, step.name, step.value, step.about, self._limit_s)
        if step.kind == BY_HAND:
            self.may_be_by_hand.add(step.name)
            bus.by_hand(step.name, True)
        answer, comment = self._ask(question)
        if step.kind in (BY_HAND, OVERLOAD):
            respond_ms = max(b.respond_ms + b.settle_ms for b in self._spec.boxes.values())
            bus.pump(self._clock.now_ns() + int((REPORT_MS + respond_ms) * MS))
        bus.mark(Answered(bus.t_ns, self._number, answer, comment))
        self._count(answer)
        self._note(step, answer)

    def _note(self, step: Step, answer: str) -> None:
        kind, subject = split(step.name) if step.kind == LOOK else ("", "")
        if kind == READY and answer != "done":
            self._not_ready = subject
        if step.kind == OVERLOAD and answer != "done":
            self._stopped = True
        if step.kind != BY_HAND:
            return
        if (answer == "skipped" and step.value) or (answer == "done" and not step.value):
            self.may_be_by_hand.discard(step.name)
            self._bus.by_hand(step.name, False)
        if answer != "done":
            self._unsure = step.name

    def _count(self, answer: str) -> None:
        self._unanswered = self._unanswered + 1 if answer == NO_ANSWER else 0
        if self._unanswered >= MOST_UNANSWERED and not self._absent:
            self._absent = f"{MOST_UNANSWERED} questions in a row were not answered"

    def _ask(self, question: Question) -> tuple[str, str]:
        """The answer by the deadline, which is fixed as the question is put."""
        now_ns = self._clock.now_ns()
        end_ns = now_ns + int(question.limit_s * 1000 * MS)
        self._operator.ask(question, now_ns)
        try:
            said = self._wait(end_ns)
        except RunStopped:
            self._operator.withdraw("the run ends")
            raise
        if said is None:
            return NO_ANSWER, self._operator.withdraw("the time is up")
        answer, comment = said
        if answer == ABSENT:
            self._absent = comment
            return NO_ANSWER, comment
        return said if answer in ANSWERS else (NO_ANSWER, f"not understood: {answer}")

    def _wait(self, end_ns: int) -> tuple[str, str] | None:
        while self._clock.now_ns() < end_ns:
            said = self._operator.answer(self._clock.now_ns())
            if said is not None:
                return said
            self._bus.pump(min(end_ns, self._clock.now_ns() + int(POLL_MS * MS)))
        return None
