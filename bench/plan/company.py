"""What is on, and what is off, while a key is pressed that has nothing to do with it.

A box may do nothing, or too much, at a key while one other circuit is on, or while two are as it takes. So
each function is wanted with an effect while each stranger is on, which is a circuit of another cluster; and
with each two strangers, of which the first is on, and the second on or off.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from math import inf
from typing import NamedTuple

from bench.core.event import PRESS, RELEASE, SENSOR, SUPPLY, WAKE
from bench.core.plan import Step
from bench.spec.model import Function, Spec

from .pace import Pace
from .sim import Sim

Levels = tuple[tuple[float, float], ...]

ALONE_WORTH = 20  # a stranger that was not on yet, in pairs of strangers


class Share(NamedTuple):
    """How many of how many strangers, and pairs of strangers as they are to be, were seen."""

    one: int
    of_one: int
    two: int
    of_two: int

    @property
    def of_single(self) -> float:
        """1 where there is none."""
        return self.one / self.of_one if self.of_one else 1.0

    @property
    def of_pairs(self) -> float:
        """1 where there is none."""
        return self.two / self.of_two if self.of_two else 1.0

    @property
    def words(self) -> str:
        """As a plan says it."""
        one = f"{self.one} of {self.of_one} of a key and another circuit that is on"
        return f"{one}; {self.two} of {self.of_two} of a key and two others, of which the first is on"


NO_SHARE = Share(0, 0, 0, 0)


class Company:
    """What is still to be seen. Circuits are bits of a mask, by `bit`. Pairs of them are bits of a square, a
    row of as many bits for each circuit that is on: so one `&` tells what a press would add.

    Seen is what stood still for respond_ms before a press that had an effect, as the simulated boat says.
    """

    def __init__(self, spec: Spec, sim: Sim, pace: Pace) -> None:
        self._spec, self._respond_ms = spec, pace.respond
        keyed = dict.fromkeys(c.function for c in spec.controls.values())
        self.functions: dict[str, Function] = {name: spec.functions[name] for name in keyed}
        reached = dict.fromkeys(c for f in self.functions.values() for c in f.circuits)
        self.bit = {c: 1 << i for i, c in enumerate(reached)}
        self._of_cluster = {k: sim.circuits_of(k) for k in {sim.cluster_of[c] for c in reached}}
        self._seen: dict[int, tuple[tuple[bool | None, ...], tuple[int, int], float]] = {}
        self._down: dict[str, tuple[int, int, Levels]] = {}
        self._alone: dict[str, int] = {}
        self._on: dict[str, int] = {}  # function -> square of strangers that are on and others wanted on
        self._off: dict[str, int] = {}
        self._rows = Counter[int]()  # circuit -> pairs in which it is on, of all functions
        self._columns = Counter[int]()  # in which it is off
        self._width = len(self.bit)
        self._squared: tuple[tuple[int, int], tuple[int, int]] = (0, 0), (0, 0)
        for name, f in self.functions.items():
            own = {sim.cluster_of[c] for c in f.circuits}
            far = [self.bit[c] for c in reached if sim.cluster_of[c] not in own]
            mask = sum(far)
            self._alone[name] = mask
            self._on[name] = self._off[name] = sum((mask & ~b) * self._first(b) for b in far)
            self._rows.update(dict.fromkeys(far, 2 * len(far) - 2))
            self._columns.update(dict.fromkeys(far, len(far) - 1))
        self._left = {name: self._count(name) for name in self.functions}
        self._wanted = tuple(sum(left) for left in zip(*self._left.values(), strict=True))

    # -- what is seen
    def enact(self, sim: Sim, kind: str, name: str, value: int) -> None:
        """Does it on the simulated boat, and notes what a press has shown when its key is let go."""
        control = self._spec.controls.get(name)
        f = self.functions[control.function] if control is not None else None
        if f is not None and kind == PRESS:
            self._down[name] = (*self.standing(sim), self._levels(sim, f))
        elif kind in (SUPPLY, WAKE):
            self._down.clear()  # what goes off now is not the doing of a key that is held
        if kind in (PRESS, RELEASE, SENSOR):
            self._settle(sim, name)
        pressed = self._down.pop(name, None) if kind == RELEASE else None
        held = self._levels(sim, f) if f is not None else ()
        sim.enact(kind, name, value)
        if f is not None and pressed is not None:
            lit, dark, before = pressed
            if before != held or before != self._levels(sim, f):
                self._note(f.name, lit, dark)
        self._look(sim)

    def _settle(self, sim: Sim, name: str) -> None:
        """Another one acts on the circuits of keys that are down: from now on these are not known to."""
        beside = set(sim.beside(name))
        for other in [o for o in self._down if o != name]:
            f = self.functions[self._spec.controls[other].function]
            if beside.isdisjoint(f.circuits):
                continue
            lit, dark, before = self._down.pop(other)
            if before != self._levels(sim, f):
                self._note(f.name, lit, dark)

    def _levels(self, sim: Sim, f: Function) -> Levels:
        return tuple(sim.level(c) for c in f.circuits)

    def standing(self, sim: Sim) -> tuple[int, int]:
        """Masks of what is surely on, and surely off, and has been so for long enough."""
        self._look(sim)
        latest_ms = sim.now_ms - self._respond_ms
        stood = [
            masks
            for k, (_, masks, since_ms) in self._seen.items()
            if since_ms <= latest_ms and not sim.is_pending(k)
        ]
        return sum(lit for lit, _ in stood), sum(dark for _, dark in stood)

    def _look(self, sim: Sim) -> None:
        for k, circuits in self._of_cluster.items():
            now, seen = sim.lit(k), self._seen.get(k)
            if seen is not None and now is seen[0]:
                continue
            masks = self._masks(circuits, now)
            since_ms = -inf if seen is None else seen[2] if masks == seen[1] else sim.now_ms
            self._seen[k] = now, masks, since_ms

    def _masks(self, circuits: Sequence[str], lit: Sequence[bool | None]) -> tuple[int, int]:
        bits = [(self.bit.get(c, 0), on) for c, on in zip(circuits, lit, strict=True)]
        return sum(b for b, on in bits if on), sum(b for b, on in bits if on is False)

    def _note(self, function: str, lit: int, dark: int) -> None:
        """A press of it had an effect while these stood on and off."""
        self._alone[function] &= ~lit
        also, but = self._square(lit, dark)
        on, off = self._on[function] & also, self._off[function] & but
        mask = (1 << self._width) - 1
        for bit in _bits(lit):
            shift = (bit.bit_length() - 1) * self._width
            more, less = on >> shift & mask, off >> shift & mask
            self._rows[bit] -= more.bit_count() + less.bit_count()
            for other in _bits(less):
                self._columns[other] -= 1
        self._on[function] ^= on
        self._off[function] ^= off
        self._left[function] = self._count(function)

    def _first(self, bit: int) -> int:
        """The first bit of its row."""
        return 1 << (bit.bit_length() - 1) * self._width

    def _square(self, lit: int, dark: int) -> tuple[int, int]:
        """Of these: pairs that are on, and those of which the second is off."""
        if self._squared[0] != (lit, dark):
            rows = sum(self._first(b) for b in _bits(lit))
            self._squared = (lit, dark), (lit * rows, dark * rows)
        return self._squared[1]

    # -- what is to be seen
    def gain(self, function: str, lit: int, dark: int) -> int:
        """What a press of it would add now."""
        also, but = self._square(lit, dark)
        pairs = (self._on[function] & also).bit_count() + (self._off[function] & but).bit_count()
        return ALONE_WORTH * (self._alone[function] & lit).bit_count() + pairs

    def worth(self, control: str, lit: int, dark: int) -> int:
        """`gain` of a key; nothing for what is none."""
        found = self._spec.controls.get(control)
        return self.gain(found.function, lit, dark) if found is not None else 0

    def promises(self) -> dict[str, int]:
        """Of each circuit what could be added while it is on, less what could while it is off."""
        return {c: self._rows[b] - self._columns[b] for c, b in self.bit.items()}

    def share(self) -> Share:
        """What was seen so far."""
        one, two = (sum(left) for left in zip(*self._left.values(), strict=True))
        of_one, of_two = self._wanted
        return Share(of_one - one, of_one, of_two - two, of_two)

    def _count(self, function: str) -> tuple[int, int]:
        pairs = self._on[function].bit_count() // 2 + self._off[function].bit_count()
        return self._alone[function].bit_count(), pairs


def _bits(mask: int) -> Iterator[int]:
    while mask:
        yield mask & -mask
        mask &= mask - 1


def company_of(spec: Spec, sim: Sim, pace: Pace, steps: Sequence[Step]) -> Share:
    """Recounted from steps on a boat simulated afresh."""
    company = Company(spec, sim, pace)
    for step in steps:
        sim.advance(step.at_ms)
        company.enact(sim, step.kind, step.name, step.value)
    return company.share()
