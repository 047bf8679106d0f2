"""Keys pressed while other circuits are on, or off, that were not yet when these keys had an effect."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Hashable
from dataclasses import dataclass
from math import inf

from bench.core.event import PRESS, RELEASE
from bench.spec.model import Function

from .act import WOBBLE_MS, Act, Script
from .company import Company
from .desk import Desk
from .lost import may_run
from .pace import PROOF_MS, SIGNAL_MS
from .sim import Sim

COMPANY = "company"
HELD_MS = 1_500.0  # a momentary key, but one that may be a horn
SOON_MS = 3_000.0  # before the end of its timer a circuit is switched off
ENOUGH = 0.98  # of the pairs of strangers
LEAST_MS = 3_000.0  # before its end it is not begun any more
PROMISED = 0.03  # of what a circuit makes possible by being on or off, beside what a press adds at once
MOST_SIGNALS = 40  # strokes of what may be a horn
RENEWED = 10  # presses after which promises are counted anew
LEAST_SHARE = 0.001  # of all pairs that as many presses as there are keys must add, where time is no limit


@dataclass(frozen=True, slots=True)
class _Effect:
    """`hides`: nothing is seen, but the next press does something else; `on`, `off`: what goes so."""

    shows: bool = False
    hides: bool = False
    on: tuple[str, ...] = ()
    off: tuple[str, ...] = ()


@dataclass(slots=True)
class _Down:
    function: Function
    until_ms: float
    urgent: int


class Mingle:
    """Many circuits at a time under one hand: whatever key is ready and adds most is pressed next.

    `clusters`: that it holds; `until_ms`: from then on things are only switched off (inf: from when hardly
    anything is added). `patient`: others go first, so that no key is taken that must be let go in time.
    """

    def __init__(
        self,
        desk: Desk,
        company: Company,
        clusters: Collection[int],
        until_ms: float,
        *,
        patient: bool = False,
    ) -> None:
        self._desk, self._company = desk, company
        self._until_ms, self._patient = until_ms, patient
        self._ready: dict[int, float] = {}
        self._clusters = {n: desk.clusters(f.circuits) for n, f in company.functions.items()}
        self._ordered = {n: sorted(clusters) for n, clusters in self._clusters.items()}
        self._add(clusters)
        self._down: dict[str, _Down] = {}
        self._turn: dict[str, int] = {}
        self._idle: set[str] = set()  # of which the last press showed nothing
        self._count = 0
        self._last, self._times = Counter[str](), Counter[str]()  # presses on the way out, and all
        self._promises: dict[str, int] = {}
        self._effects: dict[tuple[str, Hashable], _Effect] = {}
        self._round, self._is_spent = (0, -1, 0), False  # presses at its beginning, and what was seen by then

    def _add(self, clusters: Collection[int]) -> None:
        self._ready |= dict.fromkeys(set(clusters) - set(self._ready), 0.0)
        self._functions = [
            f for name, f in self._company.functions.items()
            if self._needs(f) <= set(self._ready) and not (self._patient and self._is_brief(f))
        ]  # fmt: skip

    def _needs(self, f: Function) -> frozenset[int]:
        """What it reaches; and what is reached by the keys that alone switch off what it leaves on."""
        reached = self._clusters[f.name]
        return reached if f.kind == "momentary" else self._desk.with_help(reached)

    def _dims(self, f: Function) -> bool:
        return any(self._desk.spec.circuits[c].dim is not None for c in f.circuits)

    def _is_brief(self, f: Function) -> bool:
        return self._is_signal(f) or self._dims(f)

    def _is_signal(self, f: Function) -> bool:
        return f.kind == "momentary" and not may_run(self._desk.spec, f)

    # -- scripts
    def until(self, over: Callable[[], bool]) -> Script:
        """Goes on until then; leaves on what is on."""
        yield from self._go(over)

    def to_rest(self, clusters: Collection[int] = ()) -> Script:
        """Goes on, with these clusters too; then everything off, by keys that still add something first."""
        self._add(clusters)
        yield from self._go()
        if self._count:
            yield from self._desk.all_off(dict.fromkeys(c for f in self._functions for c in f.circuits))

    def _go(self, over: Callable[[], bool] = lambda: False) -> Script:
        sim = self._desk.sim
        if not self._count and sim.now_ms > self._until_ms - LEAST_MS:
            return
        while True:
            is_over = over()
            control = min(self._down, key=lambda c: self._down[c].until_ms, default=None)
            due_ms = self._down[control].until_ms if control is not None else inf
            if control is not None and due_ms <= sim.now_ms:
                yield from self._let_go(control)
            elif not is_over and not self._is_near(due_ms) and (chosen := self._choose()) is not None:
                yield from self._press(chosen)
            elif (next_ms := self._next_ms()) is not None:
                yield Act("wait", "", 0, max(next_ms - sim.now_ms, 1.0))
            else:
                break

    def _is_near(self, due_ms: float) -> bool:
        """Whether a key must be let go in time and would have to wait for another stimulus."""
        soon_ms = self._desk.sim.now_ms + self._desk.pace.apart + WOBBLE_MS
        return due_ms < soon_ms and any(d.urgent > 1 and d.until_ms < soon_ms for d in self._down.values())

    def _next_ms(self) -> float | None:
        """When the next key is to be let go, or may be pressed."""
        now_ms = self._desk.sim.now_ms
        found = [*(d.until_ms for d in self._down.values()), *self._ready.values()]
        return min((ms for ms in found if now_ms < ms < inf), default=None)

    # -- choosing
    def _choose(self) -> Function | None:
        """What is ready and adds most; what needs several clusters has them kept free meanwhile."""
        now_ms, kept = self._desk.sim.now_ms, set[int]()
        leaving = now_ms >= self._until_ms or self._is_enough()
        for f in self._ranked():
            clusters = self._clusters[f.name]
            if not clusters.isdisjoint(kept) or (leaving and not self._leads_out(f)):
                continue
            if any(self._ready[k] > now_ms for k in clusters):
                kept |= clusters if len(clusters) > 1 else set()
                continue
            effect = self._effect(f)
            if self._is_signal(f) and self._times[f.name] >= MOST_SIGNALS:
                continue
            if effect.shows or (effect.hides and f.name not in self._idle):
                (self._idle.add if effect.hides else self._idle.discard)(f.name)
                self._last[f.name] += leaving
                return f
        return None

    def _is_enough(self) -> bool:
        share = self._company.share()
        if self._until_ms < inf:
            return share.of_pairs >= ENOUGH
        count, one, two = self._round
        if self._count >= count + len(self._functions):
            self._is_spent |= share.one == one and share.two < two + LEAST_SHARE * share.of_two
            self._round = self._count, share.one, share.two
        return self._is_spent

    def _leads_out(self, f: Function) -> bool:
        """Whether a press of it brings its circuits nearer to all off; each is given a few."""
        if self._last[f.name] > len(f.positions):
            return False
        effect = self._effect(f)
        ends = f.kind == "cycle" and () in f.positions and any(map(self._desk.is_on, f.circuits))
        return ends or len(effect.off) > len(effect.on)

    def _ranked(self) -> list[Function]:
        """By what they add now and make possible; before all what switches off a circuit whose timer ends
        soon."""
        sim, company = self._desk.sim, self._company
        lit, dark = company.standing(sim)
        if self._count % RENEWED == 0:
            self._promises = company.promises()
        soon = {k for k in self._ready for lo, _ in sim.due_ms([k]) if lo < sim.now_ms + SOON_MS}
        awaited = {f.name for c in sim.awaited(soon) if (f := self._desk.toggle_of.get(c)) is not None}
        found = list[tuple[float, int, Function]]()
        for f in self._functions:
            if self._clusters[f.name].isdisjoint(soon):
                effect = self._effect(f)
                promised = sum(self._promises[c] for c in effect.on)
                promised -= sum(self._promises[c] for c in effect.off)
                gain = max(company.gain(f.name, lit, dark) + PROMISED * promised, 0.0)
                found.append((-gain, self._turn.get(f.name, 0), f))
            elif f.name in awaited:
                found.append((-inf, 0, f))
        return [f for *_, f in sorted(found, key=lambda row: row[:2])]

    def _effect(self, f: Function) -> _Effect:
        """What a press does now; nothing where that is not certain."""
        sim = self._desk.sim
        key = f.name, tuple(map(sim.timeless, self._ordered[f.name]))
        if key not in self._effects:
            self._effects[key] = self._try(f, sim.copy())
        return self._effects[key]

    def _try(self, f: Function, sim: Sim) -> _Effect:
        clusters, pace = self._ordered[f.name], self._desk.pace
        control = self._desk.keys[f.name][0]
        before, was = {c: sim.level(c) for c in f.circuits}, [sim.timeless(k) for k in clusters]
        sim.apply(PRESS, control, 1)
        if f.kind != "momentary":
            sim.advance(sim.now_ms + pace.tap)
            sim.apply(RELEASE, control, 0)
        sim.advance(sim.now_ms + pace.dwell)
        after, came = {c: sim.level(c) for c in f.circuits}, [sim.timeless(k) for k in clusters]
        if any(len(states) > 1 for states in came):
            return _Effect()
        return _Effect(
            shows=after != before,
            hides=after == before and came != was and f.kind != "momentary",
            on=tuple(c for c in f.circuits if before[c][0] <= 0 < after[c][0]),
            off=tuple(c for c in f.circuits if after[c][0] <= 0 < before[c][0]),
        )

    # -- doing
    @property
    def _signal_ms(self) -> float:
        """Long enough to be seen; two others may have their turn before it is let go."""
        pace = self._desk.pace
        return max(pace.respond + PROOF_MS, SIGNAL_MS - 3 * (pace.apart + WOBBLE_MS))

    def _press(self, f: Function) -> Script:
        desk, pace = self._desk, self._desk.pace
        control, ms, urgent = desk.pick(f.name, COMPANY), pace.tap, 1
        if f.kind == "momentary":
            ms, urgent = (HELD_MS, 1) if may_run(desk.spec, f) else (self._signal_ms, 4)
        elif self._dims(f):
            urgent = 3  # late, it would be no short press
        self._count += 1
        self._turn[f.name] = self._count
        self._times[f.name] += 1
        self._ready |= dict.fromkeys(self._clusters[f.name], inf)
        about, sent = f"{f.name} in other company", list[float]()

        def holds() -> bool:
            sent.append(desk.sim.now_ms)
            return True

        yield Act(
            PRESS, control, 1, pace.apart, about, reaches=self._clusters[f.name], yields=True, holds=holds,
            within_ms=desk.soon_ms(control),
        )  # fmt: skip
        if sent:
            self._down[control] = _Down(f, sent[0] + ms, urgent)
            return
        self._ready |= dict.fromkeys(self._clusters[f.name], desk.sim.now_ms + pace.apart)
        yield Act("wait", "", 0, pace.apart / 2)

    def _let_go(self, control: str) -> Script:
        desk, pace = self._desk, self._desk.pace
        down = self._down.pop(control)
        yield Act(RELEASE, control, 0, pace.apart, urgent=down.urgent)
        rest_ms = pace.dwell - (0.0 if down.function.kind == "momentary" else pace.tap)
        self._ready |= dict.fromkeys(
            self._clusters[down.function.name], desk.sim.now_ms - pace.apart + rest_ms
        )
