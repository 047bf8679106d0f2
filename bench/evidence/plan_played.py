"""A plan played to a virtual box by hand: what its outputs then did, without frames, judge or oracle."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from bench.spec.model import Spec
from bench.twin import Tables, Twin

MS = 1_000_000
LOOK_MS = 10.0  # how often the outputs are looked at, besides each step
FIRST_MS = 20_000.0  # the box is switched off by hand before


@dataclass(frozen=True, slots=True)
class Step:
    """One row of a plan's file."""

    at_ms: float
    kind: str
    name: str
    value: int
    covers: tuple[str, ...]


def steps_of(plan: Mapping[str, Any]) -> list[Step]:
    """The steps of a plan as read from its file."""
    return [Step(s["at_ms"], s["kind"], s["name"], s["value"], tuple(s["covers"])) for s in plan["steps"]]


def loses(spec: Spec, node: str) -> list[tuple[str, float]]:
    """What is lost when a node of a `silent` step is, and after how many ms."""
    kind, _, name = node.partition(" ")
    if kind == "sensors":
        mine = [s for s in spec.sensors.values() if s.box == name and s.lost is not None]
        return [(f"sensor {s.name}", s.lost.after_ms) for s in mine if s.lost is not None]
    lost = (spec.panels if kind == "panel" else spec.screens)[name].lost
    return [] if lost is None else [(node, lost.after_ms)]


class Played:
    """Outputs and stored levels of each circuit over a plan's time. `losses`: when what was lost."""

    def __init__(self, spec: Spec, tables: Tables, steps: Sequence[Step], end_ms: float) -> None:
        first = {b.name: b.first for b in tables.boxes}
        self._channel = {c.name: first[c.box] + c.channel - 1 for c in spec.circuits.values()}
        quiet = replace(
            tables, frames=(), heard=(), nodes=tuple(replace(n, lost_ms=0.0) for n in tables.nodes),
            inputs=tuple(replace(i, lost_ms=0.0) for i in tables.inputs),
        )  # fmt: skip
        self._spec, self._twin = spec, Twin(quiet, seed=1)
        self._input = {s.name: s.input for s in spec.sensors.values()}
        self._out: dict[str, tuple[list[float], list[float]]] = {c: ([], []) for c in spec.circuits}
        self._stored: dict[str, tuple[list[float], list[float]]] = {c: ([], []) for c in spec.circuits}
        self._now_ms = -FIRST_MS
        self._active: dict[str, int] = {}
        self._coming: list[tuple[float, str, str]] = []
        self.losses: list[tuple[float, str]] = []
        self._all_off()
        self._go(0.0)
        for step in steps:
            self._go(step.at_ms)
            self._do(step)
        self._go(end_ms)

    def level(self, circuit: str, t_ms: float) -> float:
        """Its output in percent."""
        return _at(self._out[circuit], t_ms)

    def stored(self, circuit: str) -> list[tuple[float, float]]:
        """Instants at which its stored level changed, and to what."""
        return list(zip(*self._stored[circuit], strict=True))

    def still(self, circuit: str) -> list[tuple[float, float, float]]:
        """Stretches of one output level: from, until, level."""
        times, values = self._out[circuit]
        return list(zip(times, [*times[1:], self._now_ms], values, strict=True))

    def levels(self, circuit: str, from_ms: float, to_ms: float) -> list[float]:
        """Its outputs within a time, the one at its beginning first."""
        times, values = self._out[circuit]
        return values[max(bisect_right(times, from_ms) - 1, 0) : bisect_right(times, to_ms)]

    # -- playing
    def _ns(self, t_ms: float) -> int:
        return round((t_ms + FIRST_MS) * MS)

    def _go(self, t_ms: float) -> None:
        while self._coming and self._coming[0][0] <= t_ms:
            at_ms, name, _ = self._coming.pop(0)
            self._pass(at_ms)
            self._twin.lost(self._ns(at_ms), self._twin_name(name))
            self.losses.append((at_ms, name))
        self._pass(t_ms)

    def _twin_name(self, name: str) -> str:
        kind, _, own = name.partition(" ")
        return f"input {self._input[own]}" if kind == "sensor" else name

    def _silence(self, step: Step) -> None:
        """A module that is heard again tells how its sensors stand."""
        t_ns = self._ns(step.at_ms)
        if step.value:
            more = [
                (step.at_ms + after_ms, name, step.name) for name, after_ms in loses(self._spec, step.name)
            ]
            self._coming = sorted([*self._coming, *more])
            return
        self._coming = [c for c in self._coming if c[2] != step.name]
        for name, _ in loses(self._spec, step.name):
            self._twin.lost(t_ns, self._twin_name(name), False)
            if name.startswith("sensor "):
                own = name.removeprefix("sensor ")
                self._twin.sensor(t_ns, self._input[own], self._active.get(own, 0))

    def _pass(self, t_ms: float) -> None:
        while self._now_ms < t_ms:
            self._now_ms = min(self._now_ms + LOOK_MS, t_ms)
            self._twin.run_until(self._ns(self._now_ms))
            self._look()

    def _look(self) -> None:
        for circuit, number in self._channel.items():
            for (times, values), value in (
                (self._out[circuit], self._twin.output(number)),
                (self._stored[circuit], self._twin.stored(number)),
            ):
                if not values or values[-1] != value:
                    times.append(self._now_ms)
                    values.append(value)

    def _do(self, step: Step) -> None:
        t_ns, twin = self._ns(step.at_ms), self._twin
        if step.kind in ("press", "release"):
            node, _, key = step.name.rpartition(" ")
            (twin.press if step.kind == "press" else twin.release)(t_ns, node, int(key))
        elif step.kind == "silent":
            self._silence(step)
        elif step.kind == "sensor":
            self._active[step.name] = step.value
            twin.sensor(t_ns, self._input[step.name], step.value)
        elif step.kind == "supply":
            twin.supply(t_ns, step.name, bool(step.value))
        elif step.kind == "wake":
            twin.wake(t_ns)

    def _all_off(self) -> None:
        """Circuits that are on from waking up are switched off by their own keys."""
        key_of: dict[str, str] = {}
        for control in self._spec.controls.values():
            function = self._spec.functions[control.function]
            if function.kind == "toggle":
                key_of.setdefault(function.members[0], control.name)
        self._go(self._now_ms + 500.0)
        for circuit, name in key_of.items():
            if self.level(circuit, self._now_ms) > 0:
                self._do(Step(self._now_ms, "press", name, 1, ()))
                self._go(self._now_ms + 150.0)
                self._do(Step(self._now_ms, "release", name, 0, ()))
                self._go(self._now_ms + 350.0)


def _at(course: tuple[list[float], list[float]], t_ms: float) -> float:
    times, values = course
    return values[max(bisect_right(times, t_ms) - 1, 0)]
