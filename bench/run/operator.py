"""The person at the bench: asked, waited for while the bus is heard, and taken at their word only as far
as the box agrees."""

from __future__ import annotations

from typing import NamedTuple, Protocol

from bench.core.clock import Clock
from bench.core.entry import Answered, Asked
from bench.core.event import BY_HAND
from bench.core.plan import Step
from bench.spec.model import Spec

from .bus import MS, Bus

LIMIT_S = 120.0
POLL_MS = 50.0
REPORT_MS = 1500.0  # after an answer the boxes have this long, and respond_ms, to report what was done
ANSWERS = ("done", "not_so", "skipped")
OF_PERSON = (BY_HAND, "look")


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
        """The answer (one of ANSWERS) and a comment; None: not yet."""
        ...


class Asking:
    """Plays the steps of a person. After a step that nobody confirmed, what builds on it is left out."""

    def __init__(
        self, bus: Bus, spec: Spec, operator: Operator, clock: Clock, limit_s: float = LIMIT_S
    ) -> None:
        self._bus, self._spec, self._operator, self._clock = bus, spec, operator, clock
        self._limit_s = limit_s
        self._number = 0
        self._unsure: str = ""  # the circuit whose by-hand state nobody confirmed
        self.may_be_by_hand: set[str] = set()

    def leaves_out(self, step: Step) -> bool:
        """Whether a step is not to be done, since what it builds on was not confirmed."""
        if step.kind == BY_HAND and step.value:
            self._unsure = ""
        return bool(self._unsure) and not (step.kind == BY_HAND and step.name in self.may_be_by_hand)

    def play(self, step: Step) -> None:
        """Asks and waits. Blocks: for the time limit and the time to report. Raises RunStopped."""
        bus = self._bus
        self._number += 1
        bus.mark(Asked(bus.t_ns, self._number, step.kind, step.name, step.value, step.about))
        question = Question(self._number, step.kind, step.name, step.value, step.about, self._limit_s)
        if step.kind == BY_HAND:
            self.may_be_by_hand.add(step.name)
        self._operator.ask(question, self._clock.now_ns())
        answer, comment = self._wait()
        if step.kind == BY_HAND:
            respond_ms = max(b.respond_ms + b.settle_ms for b in self._spec.boxes.values())
            bus.pump(self._clock.now_ns() + int((REPORT_MS + respond_ms) * MS))
        bus.mark(Answered(bus.t_ns, self._number, answer, comment))
        if step.kind != BY_HAND:
            return
        if (answer == "skipped" and step.value) or (answer == "done" and not step.value):
            self.may_be_by_hand.discard(step.name)
        if answer != "done":
            self._unsure = step.name

    def _wait(self) -> tuple[str, str]:
        end_ns = self._clock.now_ns() + int(self._limit_s * 1000 * MS)
        while self._clock.now_ns() < end_ns:
            said = self._operator.answer(self._clock.now_ns())
            if said is not None:
                return said if said[0] in ANSWERS else ("no_answer", f"not understood: {said[0]}")
            self._bus.pump(self._clock.now_ns() + int(POLL_MS * MS))
        return "no_answer", ""
