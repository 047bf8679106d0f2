"""One cluster as a machine: its reachable states, what every letter does in each, and what then shows."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from typing import NamedTuple

from bench.core.event import PRESS, RELEASE, SENSOR, Event
from bench.core.model import State
from bench.oracle import Oracle
from bench.spec.model import Spec

from .pace import Pace

MS = 1_000_000


class Letter(NamedTuple):
    """What is done to a cluster: `tap`, `down` or `up` of a function, `sensor` to its other value, or `end`:
    wait until a timer of the circuit (or counted function) `name` has ended."""

    kind: str
    name: str


class Place(NamedTuple):
    """Where a cluster is: what the model takes for possible, which momentary functions are held, and which
    sensors are active."""

    states: frozenset[Hashable]
    held: frozenset[str]
    active: frozenset[str]


class Move(NamedTuple):
    """One transition, and how long it takes until all it did is proven."""

    tail: int
    letter: Letter
    head: int
    cost_ms: int


class _Here(NamedTuple):
    """The model at a place, in nanoseconds since the beginning of its way there."""

    states: tuple[State, ...]
    t_ns: int


class Machine:
    """The places of a cluster by number, from 0, the one at rest; found as they are asked for.

    `functions`: those whose circuits all lie in the cluster -> their controls. `outputs`: level of each
    circuit at a place, in percent. `untold`: letters of no defined outcome, with their place. `rest`: at
    rest with other dimmer memories than 100 %.
    """

    def __init__(
        self, model: Oracle, spec: Spec, pace: Pace, cluster: int, rest: State | None = None
    ) -> None:
        self._model, self._spec, self._pace, self._k = model, spec, pace, cluster
        self.circuits = model.clusters[cluster]
        self.functions: dict[str, list[str]] = {}
        for control in spec.controls.values():
            if model.control_clusters(control.name) == (cluster,):
                self.functions.setdefault(control.function, []).append(control.name)
        self.sensors = tuple(
            dict.fromkeys(f.sensor for f in spec.forces if model.circuit_cluster[f.circuit] == cluster)
        )
        self.numbers: dict[Place, int] = {}
        self.places: list[Place] = []
        self.outputs: list[tuple[tuple[float, float], ...]] = []
        self.untold: list[tuple[int, Letter]] = []
        self._here: list[_Here] = []
        self._every: list[list[State]] = [[] for _ in model.clusters]  # of which only this one counts
        self._moves: dict[int, list[Move]] = {}
        here = _Here((model.rest(cluster) if rest is None else rest,), 0)
        self._number(Place(self._key(here.states), frozenset(), frozenset()), here)

    @property
    def cluster(self) -> int:
        """Its number in the model."""
        return self._k

    def at(self, states: tuple[State, ...], held: frozenset[str], active: frozenset[str]) -> int | None:
        """The number of the place of these states, where it was found already."""
        return self.numbers.get(Place(self._key(states), held, active))

    def on(self, place: int) -> dict[str, bool]:
        """Which circuits are on there."""
        return {c: lo > 0 for c, (lo, _) in zip(self.circuits, self.outputs[place], strict=True)}

    def is_momentary(self, function: str) -> bool:
        """Whether its key is to be held."""
        return self._spec.functions[function].kind == "momentary"

    def moves(self, place: int) -> list[Move]:
        """What each letter does there."""
        found = self._moves.get(place)
        if found is None:
            found = self._moves[place] = []
            for letter in self._letters(place):
                after = self._do(letter, place)
                if after is None:
                    self.untold.append((place, letter))
                else:
                    head = self._number(after[0], after[1])
                    found.append(Move(place, letter, head, after[2]))
        return found

    def every_move(self, most: int) -> list[Move] | None:
        """Those of all reachable places; None when there are more than `most`."""
        found: list[Move] = []
        place = 0
        while place < len(self.places):
            found += self.moves(place)
            if len(found) > most:
                return None
            place += 1
        return found

    # -- parts
    def _letters(self, place: int) -> Iterator[Letter]:
        """What can be done there; what only takes time last."""
        for name in self.functions:
            if self.is_momentary(name):
                yield Letter("up" if name in self.places[place].held else "down", name)
            else:
                yield Letter("tap", name)
        for sensor in self.sensors:
            yield Letter("sensor", sensor)
        awaited = {name for s in self._here[place].states for name in self._model.awaited(self._k, s)}
        if len(awaited) == 1:
            yield Letter("end", awaited.pop())

    def _key(self, states: tuple[State, ...]) -> frozenset[Hashable]:
        return frozenset(self._model.timeless(self._k, s) for s in states)

    def _number(self, place: Place, here: _Here) -> int:
        number = self.numbers.setdefault(place, len(self.places))
        if number == len(self.places):
            self.places.append(place)
            self._here.append(here)
            courses = [self._model.courses(self._k, s) for s in here.states]
            spans = [[c.span(here.t_ns, here.t_ns) for c in one] for one in zip(*courses, strict=True)]
            self.outputs.append(tuple((min(lo for lo, _ in one), max(hi for _, hi in one)) for one in spans))
        return number

    def _do(self, letter: Letter, number: int) -> tuple[Place, _Here, int] | None:
        """None where the outcome has no defined order, or a timer ends meanwhile."""
        kind, name = letter
        here, (_, held, active) = self._here[number], self.places[number]
        after, pace = here, self._pace
        done_ns = here.t_ns + round(pace.dwell * MS)
        if kind == "end":
            done_ns = max(hi for _, hi in self._dues(here)) + round((pace.respond + pace.dwell) * MS)
        elif any(lo < done_ns + pace.guard * MS for lo, _ in self._dues(here)):
            return None
        elif kind == "sensor":
            active ^= {name}
            after = self._cause(here, SENSOR, name, int(name in active))
        else:
            control = self.functions[name][0]
            if kind != "up":
                after = self._cause(after, PRESS, control, 1)
            if kind == "tap":
                after = self._wait(after, here.t_ns + round(pace.tap * MS))
            if kind != "down":
                after = self._cause(after, RELEASE, control, 0)
            held = held | {name} if kind == "down" else held - {name}
        after = self._wait(after, done_ns)
        states = self._key(after.states)
        if len(states) != 1:
            return None
        return Place(states, held, active), after, round((done_ns - here.t_ns) / MS)

    def _cause(self, here: _Here, kind: str, name: str, value: int) -> _Here:
        states = self._every[self._k] = list(here.states)
        for k, cause in self._model.route(Event(here.t_ns, kind, name, value), self._every):
            if k == self._k:
                states = [after for s in states for after in self._model.step(k, s, cause)]
        return _Here(tuple(dict.fromkeys(states)), here.t_ns)

    def _wait(self, here: _Here, t_ns: int) -> _Here:
        waiting, settled = list(here.states), list[State]()
        while waiting:
            state = waiting.pop()
            due = self._model.next_due(self._k, state)
            if due is None or due[1] > t_ns:
                settled.append(state)
            else:
                waiting += self._model.fire(self._k, state)
        return _Here(tuple(dict.fromkeys(settled)), t_ns)

    def _dues(self, here: _Here) -> list[tuple[int, int]]:
        return [d for s in here.states if (d := self._model.next_due(self._k, s)) is not None]
