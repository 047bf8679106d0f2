"""What keys that only switch off leave on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from bench.core.event import PRESS
from bench.spec.model import Spec

from .pace import PROOF_MS, Pace
from .sim import Sim


class Left(NamedTuple):
    """A circuit that a press of a function left on, which was this step."""

    step: int
    function: str
    circuit: str


@dataclass(slots=True)
class _Press:
    step: int
    function: str
    until_ms: float
    circuits: list[str]


class Spared:
    """Notes each circuit that stood on as such a key went down, and stayed on for long enough to be seen.

    `seen`: of each function that only switches off, so far.
    """

    def __init__(self, spec: Spec, pace: Pace) -> None:
        self._spec, self._pace = spec, pace
        self._pressed = list[_Press]()
        self.seen: dict[str, set[str]] = {f.name: set() for f in spec.functions.values() if f.kind == "off"}

    def before(self, sim: Sim, kind: str, name: str, step: int) -> list[Left]:
        """A step is about to be done: what is certain by now."""
        found = list[Left]()
        for press in list(self._pressed):
            press.circuits = [c for c in press.circuits if sim.on(c)]
            if press.until_ms <= sim.now_ms:
                self._pressed.remove(press)
                self.seen[press.function].update(press.circuits)
                found += [Left(press.step, press.function, c) for c in press.circuits]
        control = self._spec.controls.get(name)
        if kind == PRESS and control is not None and control.function in self.seen:
            pace = self._pace
            until_ms = sim.now_ms + pace.respond + PROOF_MS
            standing = sim.spared(name, pace.respond)
            self._pressed.append(_Press(step, control.function, until_ms, standing))
        return found
