"""How long circuits with a limit are on, while a run goes: a step that would exceed one is not sent, a
circuit that exceeds one ends the run, and the guard is told beforehand by when it must act.

Known of a circuit is what is reported of it, and what the model makes of everything sent since the plan
began; either is enough. Instants in nanoseconds of one clock.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping

from bench.core.errors import InternalError
from bench.core.model import State
from bench.core.plan import LOOK, Plan, Step
from bench.core.signal import Observation
from bench.oracle import Oracle
from bench.plan.sim import Sim
from bench.spec.model import Spec

from .limits import LOOK_MS
from .off_build import read_back_ms
from .ports import Judges

MS = 1_000_000
NO_ACT = (LOOK, "frame")  # steps that the model knows nothing of
Reported = Mapping[str, Observation]
SPARE_MS = LOOK_MS + 1.0  # ends of timers are seen so late


class Allowed:
    """Follows the circuits of `limits` (name -> longest time on at a stretch, in s). Without any it does
    nothing. `tell`: the guard, which circuit must be off in how many s; None: it is off."""

    def __init__(self, limits: Mapping[str, float], spec: Spec, model: Oracle) -> None:
        self.tell: Callable[[str, float | None], None] = lambda name, left_s: None
        self.limits = dict(limits)
        self._spec, self._model = spec, model
        self._live: _Live | None = None
        self._base_ns = 0
        self._clear_ns = round(read_back_ms(spec) * MS)
        self._reported_ns: dict[str, int] = {}  # since when it is on without a break
        self._modelled_ns: dict[str, int] = {}
        self._pressed_ns: dict[str, int] = {}  # latest press that may have switched it on
        self._perhaps_ns: dict[str, int] = {}  # when it was last on by any of these
        self._dark_ns: dict[str, int] = {}
        self._told: dict[str, int] = {}

    def begin(self, t_ns: int) -> None:
        """The plan begins, with everything off."""
        if self.limits:
            self._live, self._base_ns = _Live(self._model, self._spec), t_ns

    def end(self) -> None:
        """From now on everything is switched off; no limit cuts that short."""
        for name in list(self._told):
            self.tell(name, None)
        self.limits = {}

    def press(self, control: str, at_ns: int, now_ns: int) -> None:
        """A key is about to be pressed: whatever its function can switch on may be on from then."""
        for name in self._model.targets(control):
            if name in self.limits:
                self._pressed_ns[name] = self._perhaps_ns[name] = at_ns
                self._say(name, now_ns)

    def refuses(self, plan: Plan, index: int, at_ns: int) -> str:
        """Why this step must not be sent for `at_ns`: a circuit that it switches on would, by the rest of the
        plan, be on for longer than its limit. Empty when it may be sent."""
        live, step = self._live, plan.steps[index]
        if live is None or not self.limits or step.kind in NO_ACT:
            return ""
        try:
            ahead = live.copy()
            ahead.advance(self._ms(at_ns))
            before = self._on(ahead)
            ahead.enact(step.kind, step.name, step.value)
            return self._too_long(ahead, plan, index, self._on(ahead) - before)
        except InternalError as e:
            return f"the model cannot say what it does: {e}"

    def sent(self, step: Step, at_ns: int, now_ns: int) -> None:
        """This step is handed over for `at_ns`."""
        if not self.limits or step.kind in NO_ACT:
            return
        self._move(self._ms(at_ns), step)
        live = self._live
        for name in self._on(live) if live is not None else ():
            self._modelled_ns.setdefault(name, at_ns)
            self._perhaps_ns[name] = at_ns
            self._say(name, now_ns)

    def switched_off(self, box: str, t_ns: int) -> None:
        """The supply of a box was taken away: what it reported before says nothing any more."""
        self._dark_ns[box] = t_ns

    def look(self, now_ns: int, judge: Judges) -> str:
        """Why the run must end now; empty when it need not. The guard is told what has changed."""
        if not self.limits:
            return ""
        reported = self._since_dark(judge)
        self._move(self._ms(now_ns))
        if self._live is not None:
            self._live.believe(now_ns, reported, self.limits, self._clear_ns)
        for name in self.limits:
            seen = reported.get(f"state:{name}")
            told = None if seen is None or seen.value is None else bool(seen.value)
            modelled = self._live.on(name) if self._live is not None else False
            self._note(self._reported_ns, name, now_ns, on=bool(told))
            perhaps = modelled is True or (modelled is None and told is None)
            self._note(self._modelled_ns, name, now_ns, on=perhaps)
            if told or perhaps:
                self._perhaps_ns[name] = now_ns
            self._say(name, now_ns)
        return self._exceeded(now_ns)

    # -- parts

    def _since_dark(self, judge: Judges) -> Reported:
        if not self._dark_ns:
            return judge.reported
        found = {}
        for name, circuit in self._spec.circuits.items():
            signal = f"state:{name}"
            at_ns = judge.heard_ns(signal)
            if at_ns is not None and at_ns > self._dark_ns.get(circuit.box, -1) and signal in judge.reported:
                found[signal] = judge.reported[signal]
        return found

    def _too_long(self, ahead: Sim, plan: Plan, index: int, names: set[str]) -> str:
        start_ms, shift_ms = ahead.now_ms, ahead.now_ms - plan.steps[index].at_ms
        for t_ms, step in _moments(plan, index + 1):
            if not names:
                return ""
            ahead.advance(t_ms + shift_ms)
            if step is not None and step.kind not in NO_ACT:
                ahead.enact(step.kind, step.name, step.value)
            for name in sorted(names):
                respond_ms = self._spec.boxes[self._spec.circuits[name].box].respond_ms
                on_ms = ahead.now_ms - start_ms + respond_ms
                if on_ms > self.limits[name] * 1000 + SPARE_MS:
                    return f"{name} would be on for longer than its limit of {self.limits[name]:g} s"
            names &= self._on(ahead)
        return ""

    def _exceeded(self, now_ns: int) -> str:
        for name, limit_s in self.limits.items():
            since = (self._reported_ns.get(name, now_ns), self._modelled_ns.get(name, now_ns))
            if now_ns - min(since) >= round(limit_s * 1e9):
                known = "" if name in self._reported_ns else "by what was sent, "
                return f"{known}{name} is on for longer than its limit of {limit_s:g} s"
        return ""

    def _say(self, name: str, now_ns: int) -> None:
        """Tells the guard by when this circuit must be off, and that it is once all have said so for long."""
        sources = (self._reported_ns, self._modelled_ns, self._pressed_ns)
        if now_ns - self._perhaps_ns.get(name, 0) > self._clear_ns:
            self._pressed_ns.pop(name, None)
            if self._told.pop(name, None) is not None:
                self.tell(name, None)
            return
        since = [source[name] for source in sources if name in source]
        if not since:
            return
        end_ns = min(since) + round(self.limits[name] * 1e9)
        if self._told.get(name) != end_ns:
            self._told[name] = end_ns
            self.tell(name, (end_ns - now_ns) / 1e9)

    def _move(self, t_ms: float, step: Step | None = None) -> None:
        """The model goes on to an instant, and by one step. Where it cannot follow, reports alone hold."""
        if self._live is None:
            return
        try:
            self._live.advance(t_ms)
            if step is not None:
                self._live.enact(step.kind, step.name, step.value)
        except InternalError:
            self._live = None

    def _on(self, sim: Sim) -> set[str]:
        return {name for name in self.limits if sim.on(name) is not False}

    @staticmethod
    def _note(since: dict[str, int], name: str, now_ns: int, *, on: bool) -> None:
        if on:
            since.setdefault(name, now_ns)
        else:
            since.pop(name, None)

    def _ms(self, t_ns: int) -> float:
        return (t_ns - self._base_ns) / MS


def _moments(plan: Plan, index: int) -> Iterator[tuple[float, Step | None]]:
    """The steps from `index` on, and instants in between at which timers are looked at."""
    t_ms = plan.steps[index - 1].at_ms
    for step in plan.steps[index:]:
        while t_ms + LOOK_MS < step.at_ms:
            t_ms += LOOK_MS
            yield t_ms, None
        t_ms = max(t_ms, step.at_ms)
        yield t_ms, step
    yield max(t_ms, plan.duration_ms), None


class _Live(Sim):
    """The model of what was sent; where a box reports otherwise for long enough, it is believed."""

    def __init__(self, model: Oracle, spec: Spec) -> None:
        super().__init__(model, spec)
        self._oracle = model
        self._differs_ns: dict[int, int] = {}

    def copy(self) -> Sim:
        """With silences of its own."""
        other = super().copy()
        other.silences = self.silences.copy()
        return other

    def believe(self, now_ns: int, reported: Reported, names: Iterable[str], after_ns: int) -> None:
        """Takes over what is reported of the clusters of these circuits where it differs for `after_ns`."""
        for k in {self.cluster_of[name] for name in names}:
            told = {c: reported.get(f"state:{c}") for c in self._oracle.clusters[k]}
            seen = {c: o.value for c, o in told.items() if o is not None and o.value is not None}
            if all(self.on(c) in (None, bool(value)) for c, value in seen.items()):
                self._differs_ns.pop(k, None)
            elif now_ns - self._differs_ns.setdefault(k, now_ns) > after_ns:
                self._differs_ns.pop(k)
                self._set(k, self._agreeing(k, seen) or self._adopted(k, seen))

    def _agreeing(self, k: int, seen: Mapping[str, float]) -> list[State]:
        """What may have come about by itself, the end of a timer, and agrees."""
        t_ns, names = self._ns(self.now_ms), self._oracle.clusters[k]

        def agrees(state: State) -> bool:
            spans = dict(zip(names, self._oracle.courses(k, state), strict=True))
            ends = {c: spans[c].span(t_ns, t_ns) for c in seen}
            return all(hi > 0 if seen[c] else lo <= 0 for c, (lo, hi) in ends.items())

        return [state for state in self.possible(k) if agrees(state)]

    def _adopted(self, k: int, seen: Mapping[str, float]) -> list[State]:
        t_ns = self._ns(self.now_ms)
        states = self._oracle.adopt(k, t_ns, {f"state:{c}": value for c, value in seen.items()})
        return states or self._oracle.unknown(k, t_ns)

    def _distinct(self, k: int, states: Iterable[State]) -> list[State]:
        return self._oracle.merge(k, list(states))
