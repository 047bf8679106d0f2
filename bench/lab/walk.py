"""Random plans: presses, holds, sensors, supply, wake-ups in any order, but never where none is defined.

A walk keeps `resolves_ms` and more between stimuli that touch the same circuits, and stays away from ends of
timers, from `hold_ms` and from boxes that are just waking (docs/meaning.md, "No defined order").
"""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import dataclass, field

from bench.core.errors import InternalError
from bench.core.event import SUPPLY, WAKE
from bench.core.plan import Plan, Step
from bench.oracle import Oracle
from bench.plan.sim import Sim
from bench.spec.model import Spec

MARGIN_MS = 30.0  # beyond what the spec itself leaves open
FIRST_MS = 400.0
REST_MS = 1_500.0
MOST_HELD = 4
TRIES = 400


@dataclass(frozen=True, slots=True)
class Kinds:
    """How often each kind of stimulus is drawn, relative to the others; 0: never. `supply`: all boxes
    together; `one_supply`: one of them, after which not everything is agreed."""

    press: float = 10.0
    release: float = 8.0
    sensor: float = 1.0
    supply: float = 0.3
    one_supply: float = 0.0
    wake: float = 0.3


@dataclass(slots=True)
class _Window:
    """Nothing that touches `clusters` may happen in [since_ms, until_ms]."""

    clusters: frozenset[int]
    since_ms: float
    until_ms: float


@dataclass
class _Walk:
    spec: Spec
    model: Oracle
    chance: random.Random
    kinds: Kinds
    steps: list[Step] = field(default_factory=list)
    t_ms: float = FIRST_MS
    held: dict[str, float] = field(default_factory=dict)  # control -> when it went down
    sensors: dict[str, int] = field(default_factory=dict)
    dark: set[str] = field(default_factory=set)  # without supply
    asleep: set[str] = field(default_factory=set)  # not woken since
    windows: list[_Window] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.sim = Sim(self.model, self.spec)
        boxes = self.spec.boxes.values()
        self.apart = max(b.resolves_ms for b in boxes) + MARGIN_MS
        self.respond = max(b.respond_ms for b in boxes)
        self.everything = frozenset(range(len(self.model.clusters)))

    # -- drawing

    def go(self, until_ms: float) -> None:
        while self.t_ms < until_ms:
            self._one(self._draw())
        for control in list(self.held):
            self._one(("release", control, 0))
        if self.dark:
            self._one((SUPPLY, "", 1))

    def _draw(self) -> tuple[str, str, int]:
        chance, kinds = self.chance, self.kinds
        open_ = [c for c in (*self.spec.controls, *self.spec.outside) if c not in self.held]
        drawn: list[tuple[float, tuple[str, str, int]]] = []
        if len(self.held) < MOST_HELD:
            drawn.append((kinds.press, ("press", chance.choice(open_), 1)))
        if self.held:
            drawn.append((kinds.release, ("release", chance.choice(list(self.held)), 0)))
        if self.spec.sensors:
            name = chance.choice(list(self.spec.sensors))
            drawn.append((kinds.sensor, ("sensor", name, 1 - self.sensors.get(name, 0))))
        back = 20.0 if self.dark else 1.0
        drawn.append((kinds.supply * back, (SUPPLY, "", int(bool(self.dark)))))
        box = chance.choice(list(self.spec.boxes))
        drawn.append((kinds.one_supply * back, (SUPPLY, box, int(box in self.dark))))
        called = [b.name for b in self.spec.boxes.values() if b.wake.by == "message"]
        if called:
            drawn.append(
                (30.0 if self.asleep.intersection(called) - self.dark else kinds.wake, (WAKE, "", 1))
            )
        return chance.choices([d for _, d in drawn], [w for w, _ in drawn])[0]

    def _gap(self) -> float:
        chance = self.chance
        lo, hi = chance.choices(
            [(1.0, 60.0), (60.0, 300.0), (300.0, 1500.0), (1500.0, 6000.0), (6000.0, 45000.0)],
            [5, 8, 6, 2, 0.3],
        )[0]
        return chance.uniform(lo, hi)

    # -- placing

    def _one(self, what: tuple[str, str, int]) -> None:
        """Places one stimulus at the next instant at which its order is defined; none: not at all."""
        kind, name, value = what
        clusters = self._touched(kind, name)
        at_ms = round(self.t_ms + self._gap(), 3)
        for _ in range(TRIES):
            self.sim.advance(at_ms)
            self._watch_dues()
            if not any(w.since_ms <= at_ms <= w.until_ms and w.clusters & clusters for w in self.windows):
                self._emit(at_ms, kind, name, value, clusters)
                return
            at_ms = round(at_ms + self.chance.uniform(5.0, 120.0), 3)
        if kind == "release":
            raise InternalError(f"no instant to release {name}")

    def _touched(self, kind: str, name: str) -> frozenset[int]:
        if kind in ("press", "release"):
            return frozenset(self.model.control_clusters(name))
        return self.everything

    def _watch_dues(self, more_ms: float = 0.0) -> None:
        """Whatever will happen by itself: nothing else near it."""
        near = self.respond + MARGIN_MS
        for k in self.everything:
            for lo, hi in self.sim.due_ms([k]):
                self._close(frozenset([k]), lo - near, hi + near + more_ms)
        now = self.sim.now_ms
        self.windows = [w for w in self.windows if w.until_ms >= now]

    def _close(self, clusters: frozenset[int], since_ms: float, until_ms: float) -> None:
        window = _Window(clusters, since_ms, until_ms)
        if window not in self.windows:
            self.windows.append(window)

    def _emit(self, at_ms: float, kind: str, name: str, value: int, clusters: frozenset[int]) -> None:
        self.t_ms = at_ms
        if kind == "press":
            self.held[name] = at_ms
        elif kind == "release":
            del self.held[name]
        elif kind == "sensor":
            self.sensors[name] = value
        self._close(clusters, at_ms, at_ms + self.apart)
        if kind == SUPPLY:
            self._switch(at_ms, name, value)
        else:
            self.steps.append(Step(at_ms, kind, name, value))
            if kind == WAKE:
                for box in [b for b in self._that_wake("message") if b not in self.dark]:
                    self.sim.apply(WAKE, box, 1)
                self._let_wake(at_ms, [b for b in self._that_wake("message") if b not in self.dark])
            elif name not in self.spec.outside:
                self.sim.enact(kind, name, value)
        self._watch_dues()

    def _that_wake(self, by: str) -> list[str]:
        message = by == "message"
        return [b.name for b in self.spec.boxes.values() if (b.wake.by == "message") == message]

    def _switch(self, at_ms: float, name: str, value: int) -> None:
        """Supply of one box, or of all that are not so already."""
        boxes = [name] if name else [b for b in self.spec.boxes if (b in self.dark) == bool(value)]
        for box in boxes:
            self.steps.append(Step(at_ms, SUPPLY, box, value))
            self.sim.enact(SUPPLY, box, value)
        if not value:  # whether a box that is just being switched off still hears is open
            self.dark.update(boxes)
            self.asleep.update(boxes)
            self._close(self.everything, at_ms, at_ms + self.respond + MARGIN_MS)
            return
        self.dark.difference_update(boxes)
        woken = [b for b in boxes if b in self._that_wake("supply")]
        for box in woken:
            self.sim.apply(WAKE, box, 1)
        if woken:
            self._let_wake(at_ms, woken)

    def _let_wake(self, at_ms: float, boxes: Iterable[str]) -> None:
        """They wake somewhere within `within_s`; until they surely have, nothing else is done."""
        longest = 0.0
        for name in boxes:
            box = self.spec.boxes[name]
            self.asleep.discard(name)
            longest = max(longest, box.wake.within_s * 1000 + box.wake.not_available_ms)
        self._close(self.everything, at_ms, at_ms + longest + self.respond + MARGIN_MS)
        self._watch_dues(longest)


def make_walk(spec: Spec, seed: int, *, length_s: float = 40.0, kinds: Kinds | None = None) -> Plan:
    """A random plan of about `length_s`. The same arguments give the same plan. Held keys are let go and
    supplies switched on at its end."""
    model = Oracle(spec)
    for turn in range(20):
        walk = _Walk(spec, model, random.Random(f"walk {spec.boat.name} {seed} {turn}"), kinds or Kinds())
        try:
            walk.go(length_s * 1000)
        except InternalError:  # too many possibilities to plan by, or a key that cannot be let go
            continue
        return Plan(
            f"{spec.boat.name}: random walk {seed}", tuple(walk.steps), walk.t_ms + REST_MS, seed=seed
        )
    raise InternalError(f"no random walk of {spec.boat.name} with seed {seed}")
