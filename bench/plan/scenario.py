"""The scenarios of a spec as scripts: step by step from all off, and back to it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import ceil, floor
from typing import Protocol

from bench.spec.model import ScenarioStep
from bench.spec.promise_scenario import step_words

from .act import WOBBLE_MS, Act, Job, Script
from .desk import Desk
from .rules import waken

SCENARIO = "scenario"  # tag of what one covers
MOST_ROUNDS = 4  # of switching off what it left on
ROUNDING_MS = 10.0


class Says(Protocol):
    """Takes complaints about a scenario. `step` counts from 0; `key`: what of it is wrong, if not all."""

    def __call__(
        self, step: int, text: str, expected: str = "", advice: str = "", *, key: str = ""
    ) -> None: ...


def ignore(step: int, text: str, expected: str = "", advice: str = "", *, key: str = "") -> None:
    """For a scenario that was found to be in order."""


def scenario_jobs(desk: Desk, *, supply: bool) -> Iterator[Job]:
    """Each runs alone, in the order of the spec. Without `supply` those that take it away are left out."""
    everything = frozenset(desk.sim.cluster_of.values())
    for name, steps in desk.spec.scenarios.items():
        if supply or not needs_supply(steps):
            player = Player(desk, name, steps)
            yield Job(f"{SCENARIO} {name}", everything, player.script, tests=player.touches())


def needs_supply(steps: Sequence[ScenarioStep]) -> bool:
    """Whether the bench must switch the supply for it."""
    return any(s.by == "supply" for s in steps)


class Player:
    """Plays one scenario. `says` is told where what happens is not defined, which ends it early, and it is
    told what each expectation meets."""

    def __init__(self, desk: Desk, name: str, steps: Sequence[ScenarioStep], says: Says = ignore) -> None:
        self._desk, self._name, self._steps, self._says = desk, name, steps, says
        self._title = f"{SCENARIO} {name}: "
        self._down: dict[str, float] = {}  # keys held -> since, in ms
        self._active: set[str] = set()
        self._began_ms = 0.0
        self._broken = False

    def touches(self) -> frozenset[int]:
        """The clusters that it is about."""
        found = [self._reached(s) | self._desk.clusters(s.shown) for s in self._steps]
        return frozenset[int]().union(*found)

    def script(self) -> Script:
        """All steps, then everything off again."""
        self._began_ms = self._desk.sim.now_ms
        yield from self._play()
        yield from self._back()
        left = self._desk.sim.not_at_rest()
        if left and not self._broken:
            circuits = [c for c, k in self._desk.sim.cluster_of.items() if k in left]
            on = [c for c in circuits if self._desk.sim.on(c) is not False]
            what = f"{', '.join(on)} on" if on else f"{', '.join(circuits)} other than at rest"
            text = f"it leaves {what}, and no key that the plan knows of brings that back"
            self._says(-1, text, "a scenario after which all can be switched off")
        self._desk.sim.calm()

    # -- steps
    def _play(self) -> Script:
        number = 0
        while number < len(self._steps):
            step = self._steps[number]
            wait_ms, after = self._waits(number + 1)
            if step.kind == "wait_s":
                wait_ms += step.wait_s * 1000
                yield Act("wait", "", 0, wait_ms, self._title + f"{wait_ms / 1000:g} s pass")
            elif step.kind == "expect":
                self._expect(number, step)
                yield Act("wait", "", 0, wait_ms, self._title + step_words(step), self._covers)
            else:
                gap_ms = self._gap(number, after, wait_ms)
                self._broken = not self._is_clear(number, step)
                if not self._broken:
                    yield from self._do(step, gap_ms)
                    self._broken = not self._is_told(number)
                if self._broken:
                    return
            number = after

    @property
    def _covers(self) -> tuple[str, ...]:
        return (f"{SCENARIO} {self._name}",)

    def _waits(self, number: int) -> tuple[float, int]:
        """Length of the waits from this step on, in ms, and the first step after them."""
        wait_ms = 0.0
        while number < len(self._steps) and self._steps[number].kind == "wait_s":
            wait_ms += self._steps[number].wait_s * 1000
            number += 1
        return wait_ms, number

    def _gap(self, number: int, after: int, wait_ms: float) -> float:
        """From a stimulus to what comes next: long enough to be seen, or as long as is waited."""
        pace = self._desk.pace
        least_ms = pace.dwell
        kinds = (self._steps[number].kind, self._steps[after].kind if after < len(self._steps) else "")
        if kinds == ("hold", "release") and wait_ms:
            least_ms = pace.tap
        least_ms = max(least_ms, pace.apart + WOBBLE_MS)
        if 0 < wait_ms < least_ms:
            text = f"a wait of {wait_ms / 1000:g} s is too short to see what was done before it"
            advice = "delete it: as long as needed is waited anyway"
            self._says(number + 1, text, f"at least {least_ms / 1000:g} s", advice, key="wait_s")
        return max(wait_ms, least_ms)

    def _do(self, step: ScenarioStep, gap_ms: float) -> Script:
        desk, about, covers = self._desk, self._title + step_words(step), self._covers
        if step.kind == "press":
            yield Act("press", step.control, 1, desk.pace.tap, about, covers, urgent=1)
            about = f"{self._title}{step.control} is let go"
            yield Act("release", step.control, 0, gap_ms - desk.pace.tap, about, urgent=1)
        elif step.kind == "hold":
            self._down[step.control] = desk.sim.now_ms
            yield Act("press", step.control, 1, gap_ms, about, covers, urgent=1)
        elif step.kind == "release":
            del self._down[step.control]
            yield Act("release", step.control, 0, gap_ms, about, covers, urgent=1)
        elif step.kind == "sensor":
            active = step.now == "active"
            self._active = self._active | {step.sensor} if active else self._active - {step.sensor}
            yield Act("sensor", step.sensor, int(active), gap_ms, about, covers, urgent=1)
        else:
            yield Act("wait", "", 0, 0.0, about, covers)
            yield from waken(desk, supply=step.by == "supply", title=self._title)
            yield Act("wait", "", 0, gap_ms, self._title + "outputs after waking up")

    def _reached(self, step: ScenarioStep) -> frozenset[int]:
        spec = self._desk.spec
        if step.kind == "wake":
            return frozenset(self._desk.sim.cluster_of.values())
        if step.sensor:
            return self._desk.clusters(f.circuit for f in spec.forces if f.sensor == step.sensor)
        control = spec.controls.get(step.control)
        return self._desk.clusters(spec.functions[control.function].circuits if control else ())

    # -- what is not defined
    def _is_clear(self, number: int, step: ScenarioStep) -> bool:
        """Whether no timer ends and no dimming begins about now in what it reaches."""
        desk, pace = self._desk, self._desk.pace
        now_ms, span_ms = desk.sim.now_ms, pace.apart + WOBBLE_MS
        if step.kind == "press":
            span_ms += pace.tap
            down_ms = pace.tap
        else:
            down_ms = now_ms - self._down.get(step.control, now_ms)
        if step.kind in ("press", "release") and not self._is_short_or_held(number, step, down_ms):
            return False
        reached = self._reached(step)
        for lo, hi in desk.sim.due_ms(reached):
            first_ms, last_ms = lo - pace.guard - span_ms, hi + pace.guard
            if first_ms < now_ms < last_ms and not (step.kind == "release" and self._holds(step)):
                names = desk.sim.awaited(reached)
                what = f"a timer of {', '.join(names)} may end" if names else "dimming begins"
                at_s, early_s, late_s = ((t - self._began_ms) / 1000 for t in (now_ms, first_ms, last_ms))
                when = f"{at_s:.1f} s after the scenario's begin, about when {what}"
                text = f"this comes {when}: what it does is not agreed"
                self._says(number, text, f"it before {early_s:.1f} s or after {late_s:.1f} s")
                return False
        return True

    def _holds(self, step: ScenarioStep) -> list[float]:
        """After how long, in ms, holding the key begins to dim."""
        control = self._desk.spec.controls.get(step.control)
        if control is None:
            return []
        function = self._desk.spec.functions[control.function]
        if function.kind != "toggle" and not function.dim_together:
            return []
        dims = (self._desk.spec.circuits[c].dim for c in function.circuits)
        return [d.hold_ms for d in dims if d is not None]

    def _is_short_or_held(self, number: int, step: ScenarioStep, down_ms: float) -> bool:
        margin_ms = self._desk.pace.respond + WOBBLE_MS + ROUNDING_MS
        for hold_ms in self._holds(step):
            if abs(down_ms - hold_ms) < margin_ms:
                began = f"dimming begins at {hold_ms / 1000:g} s"
                text = f"{step.control} is down for {down_ms / 1000:g} s, and {began}"
                most_s, least_s = (hold_ms - margin_ms) / 1000, (hold_ms + margin_ms) / 1000
                advice = "between these it may count as a short press or as held"
                self._says(number, text, f"at most {most_s:.2f} s or at least {least_s:.2f} s", advice)
                return False
        return True

    def _is_told(self, number: int) -> bool:
        sim = self._desk.sim
        open_ = [k for k in set(sim.cluster_of.values()) if not sim.is_told(k)]
        if open_:
            names = [c for c, k in sim.cluster_of.items() if k in open_ and sim.on(c) is None]
            self._says(number, f"what this does is not agreed: {', '.join(names)} may then be on or off")
        return not open_

    # -- expectations
    def _expect(self, number: int, step: ScenarioStep) -> None:
        for circuit, shown in step.shown.items():
            lo, hi = self._desk.sim.may_show(circuit)
            box = self._desk.spec.boxes[self._desk.spec.circuits[circuit].box]
            agrees = {
                "on": lo > 0,
                "off": hi <= 0,
                "level": shown.from_pct - box.level_step_pct <= lo
                and hi <= shown.to_pct + box.level_step_pct
                and (lo > 0 or shown.from_pct <= 0)
                and (hi <= 0 or shown.to_pct > 0),
            }[shown.word]
            if agrees:
                continue
            wanted = step_words(ScenarioStep("expect", shown={circuit: shown}))
            promised = "on" if shown.word == "off" and lo > 0 else _promised(lo, hi)
            text = f"it {wanted}, and the spec promises {promised}"
            advice = "they disagree: mend the scenario, or the rest of the spec"
            dim = self._desk.spec.circuits[circuit].dim
            if dim is not None and lo <= dim.min_pct and hi >= 100:
                advice += "; what a dimmer remembers from before the scenario is not known"
            self._says(number, text, _due(circuit, lo, hi), advice, key=f"expect.{circuit}")

    # -- the end
    def _back(self) -> Script:
        desk, pace = self._desk, self._desk.pace
        for control in list(self._down):
            del self._down[control]
            yield Act("release", control, 0, pace.dwell, f"{self._title}{control} is let go", urgent=1)
        for sensor in sorted(self._active):
            yield Act("sensor", sensor, 0, pace.dwell, f"{self._title}{sensor} at rest")
        self._active = set()
        for _ in range(MOST_ROUNDS):
            if any(desk.sim.on(c) is None for c in desk.spec.circuits):
                yield from self._await()
            yield from self._counters()
            about = f"switched off after {SCENARIO} {self._name}"
            yield from desk.together(desk.spec.circuits, on=False, about=about)
            yield from self._counters()
            if not desk.sim.not_at_rest():
                return
            yield from self._await()

    def _await(self) -> Script:
        """Until all timers are over."""
        while dues := self._desk.sim.due_ms(set(self._desk.sim.cluster_of.values())):
            ms = max(max(hi for _, hi in dues) - self._desk.sim.now_ms, 0.0)
            yield Act("wait", "", 0, ms + self._desk.pace.dwell, f"{self._title}timers end")

    def _counters(self) -> Script:
        """Counted functions on to their last position."""
        for f in self._desk.functions("cycle"):
            last = len(f.positions)
            for _ in range(last if f.position == "counter" else 0):
                if self._desk.sim.position(f.name) == last:
                    break
                yield from self._desk.tap(f.name, "counted", f"{self._title}{f.name} to its last position")


def _promised(lo: float, hi: float) -> str:
    if hi <= 0:
        return "off"
    if lo <= 0:
        return "neither on nor off at that time"
    return f"a level between {floor(lo)} and {ceil(hi)} %" if lo < hi else f"on at {lo:g} %"


def _due(circuit: str, lo: float, hi: float) -> str:
    if hi <= 0:
        return f"{circuit}: off"
    if lo <= 0:
        return "it when no timer may be ending"
    if lo < hi:
        return f"{circuit}: on, or from_pct: {floor(lo)} and to_pct: {ceil(hi)}"
    return f"{circuit}: on" if lo >= 100 else f"{circuit}: on, or {circuit}: {lo:g}"
