"""A simulated person at the virtual box, who may err, skip or not answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from bench.core import look
from bench.core.event import BY_HAND
from bench.core.plan import OVERLOAD
from bench.run.operator import Question
from bench.spec.model import Spec

BLIND = ("idle", "wrong", "nods", "forgets")


class Seen(Protocol):
    """What an output really does."""

    @property
    def percent(self) -> float: ...


class Box(Protocol):
    """What a person can do to a virtual box, see and hear of it (`bench.twin.Twin`)."""

    def by_hand(self, t_ns: int, box: str, channel: int, on: bool) -> None: ...

    def overload(self, t_ns: int, box: str, channel: int, on: bool) -> None: ...

    def truth(self, t_ns: int) -> Mapping[tuple[str, int], Seen]: ...

    def seen_lamp(self, node: str, key: int) -> int: ...

    def seen_lighting(self, node: str) -> float: ...

    def sounded_ns(self, box: str, channel: int) -> int: ...

    def serial(self, box: str) -> int: ...


@dataclass
class SimulatedPerson:
    """`habits`: circuit, or the name of a look -> skips | silent | idle (says done, did nothing) | wrong
    (works the next channel, reads another label) | nods (says that it is so without a look) | forgets (never
    puts it back, and says done) | denies (says that it is not so).

    Whoever skips, is silent or idle does nothing. `takes_s`: until the hand is at work; the answer comes
    as long after. Put `box` in place before the run. Thread: one.
    """

    spec: Spec
    box: Box | None = None
    habits: Mapping[str, str] = field(default_factory=dict)
    takes_s: float = 3.0
    asked: list[Question] = field(default_factory=list)
    _since_ns: int = 0
    _acted: bool = False
    _ready_ns: int = 0

    def ask(self, question: Question, t_ns: int) -> None:
        """A question; see Operator."""
        self.asked.append(question)
        self._since_ns, self._acted = t_ns, False
        if question.name.startswith(look.READY):
            self._ready_ns = t_ns

    def answer(self, t_ns: int) -> tuple[str, str] | None:
        """The answer when it is ready; works the box meanwhile."""
        question = self.asked[-1]
        habit = self.habits.get(question.name, "")
        if habit == "silent" or t_ns < self._since_ns + round(self.takes_s * 1e9):
            return None
        if habit == "skips":
            return "skipped", "not reachable"
        if not self._acted:
            self._acted = True
            if question.kind in (BY_HAND, OVERLOAD) and habit != "idle":
                self._work(question, t_ns, habit)
        if t_ns < self._since_ns + round(2e9 * self.takes_s):
            return None
        if question.kind == OVERLOAD and habit != "idle":
            self._work(question._replace(value=0), t_ns, habit)
        kind, subject = look.split(question.name)
        if kind == look.LABEL:
            assert self.box is not None
            return "done", f"No. {self.box.serial(subject):06}" if habit != "wrong" else "No. 4711"
        if habit == "denies" or (habit not in BLIND and not self._is_so(question, t_ns)):
            return "not_so", "looked twice"
        return "done", ""

    def _is_so(self, question: Question, t_ns: int) -> bool:
        """Whether what is to be seen can be seen."""
        box = self.box
        assert box is not None
        kind, subject = look.split(question.name)
        circuit = self.spec.circuits.get(subject or question.name)
        if question.kind == OVERLOAD and circuit is not None:
            return box.truth(t_ns)[circuit.box, circuit.channel].percent <= 0.0
        if question.kind == BY_HAND and circuit is not None:
            return (box.truth(t_ns)[circuit.box, circuit.channel].percent > 0.0) == bool(question.value)
        if kind == look.LAMPS:
            lamps = (c.name for c in self.spec.controls.values() if c.lamp is not None)
            mine = [n for n in lamps if n.startswith(f"{subject} ")]
            return (
                sum(look.bit_of(n) for n in mine if box.seen_lamp(subject, look.key_of(n))) == question.value
            )
        if kind == look.BACKLIGHT:
            return (box.seen_lighting(subject) > 0.0) == bool(question.value)
        if kind == look.HEARD and circuit is not None:
            return box.sounded_ns(circuit.box, circuit.channel) >= self._ready_ns
        return True

    def withdraw(self, why: str) -> str:
        """Takes note; see Operator."""
        return ""

    def _work(self, question: Question, t_ns: int, habit: str) -> None:
        if habit == "forgets" and not question.value:
            return
        circuit = self.spec.circuits[question.name]
        channel = circuit.channel
        if habit == "wrong":
            others = [c.channel for c in self.spec.circuits.values() if c.box == circuit.box]
            channel = others[(others.index(channel) + 1) % len(others)]
        assert self.box is not None
        if question.kind == OVERLOAD:
            self.box.overload(t_ns, circuit.box, channel, bool(question.value))
            return
        self.box.by_hand(t_ns, circuit.box, channel, bool(question.value))
