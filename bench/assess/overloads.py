"""Circuits that a person overloads for a moment: what the box reports decides whether they tripped."""

from __future__ import annotations

from collections.abc import Mapping

from bench.core.entry import Answered, Asked
from bench.core.event import TRIP, Event
from bench.core.model import State
from bench.core.signal import Observation
from bench.definitions.words import FAULT
from bench.judge import Judge
from bench.judge.rules import MS
from bench.spec.model import Spec

from .answers import DONE, why_not
from .causes import Causes
from .findings import Findings

FLAG_NS = 2_000 * MS  # by then a box has reported that it tripped again


class Overloads:
    """Told of each answer. That it was overloaded is the person's word alone: a box that does not report a
    trip is in doubt, one that does is held to what the spec says of a tripped circuit."""

    def __init__(self, spec: Spec, judge: Judge, causes: Causes, findings: Findings) -> None:
        self._spec, self._judge, self._causes, self._findings = spec, judge, causes, findings
        self._cleared: dict[str, bool] = {}  # circuit that tripped -> whether it was said to be cleared since

    @property
    def waits(self) -> bool:
        """Whether a circuit has tripped, so that flags are to be told."""
        return bool(self._cleared)

    def saw(self, circuit: str, flag: float) -> None:
        """A fault flag. One that trips anew once cleared may still have its overload: the person may have
        forgotten it."""
        if circuit not in self._cleared:
            return
        if flag != FAULT["tripped"]:
            self._cleared[circuit] = True
        elif self._cleared[circuit]:
            self._findings.overloaded[self._judge.cluster_of[circuit]] = circuit

    def answered(
        self, asked: Asked, mark: Answered, reported: Mapping[str, Observation],
        before: Mapping[int, State | None],
    ) -> None:  # fmt: skip
        """What became of it; `before`: the states of its box before it was asked for."""
        tail = f" ({mark.comment})" if mark.comment else ""
        done = mark.answer in DONE
        why = "" if mark.answer == "done" else why_not(mark.answer)
        if done:
            why = self._disagrees(asked.name, reported) or why
        if why:
            self._findings.doubt(asked.name, f"overload of {asked.name}: {why}{tail}", mark.t_ns)
        if not done or self._disagrees(asked.name, reported):
            self._judge.worked(before, None, 0)
            return
        self._cleared[asked.name] = False
        self._findings.hold_ns = max(self._findings.hold_ns, FLAG_NS)
        stimulus = self._causes.by_person(Event(mark.t_ns, TRIP, asked.name, 1))
        event = Event(mark.t_ns, TRIP, asked.name, 1)
        stimulus.clusters = self._judge.worked(before, event, stimulus.number)
        if not stimulus.clusters:
            stimulus.doubt = "its state was not known before"
            self._findings.doubt(asked.name, f"{stimulus.words()}: {stimulus.doubt}", mark.t_ns)

    def _disagrees(self, name: str, reported: Mapping[str, Observation]) -> str:
        """Why person and box do not say the same; empty when they do."""
        box = self._spec.circuits[name].box
        for circuit in self._spec.circuits.values():
            seen = reported.get(f"fault:{circuit.name}")
            tripped = seen is not None and seen.value == FAULT["tripped"]
            if circuit.box == box and tripped != (circuit.name == name):
                said = "reports" if tripped else "does not report"
                return f"the person says it is done, but box {box} {said} {circuit.name} tripped"
        return ""
