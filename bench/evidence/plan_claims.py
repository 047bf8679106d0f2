"""Whether a plan covers what it claims: each tag of its file against what a box did that it was played to.

Nothing of planner or reference model is asked: a claim is read as its words say, by the spec.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from bench.evidence import plan_told
from bench.evidence.plan_losses import Losses
from bench.evidence.plan_order import Reach
from bench.evidence.plan_played import Played, Step
from bench.spec.model import Circuit, Function, Spec

NEAR_PCT = 1.0
BURST_MS = 10.0


class Claims:
    """Checks the claims of one plan. `wrong`: those that do not hold, with their step; `unread`: those of a
    kind not known here; `held`: how many hold."""

    def __init__(self, spec: Spec, steps: Sequence[Step], played: Played, end_ms: float) -> None:
        self._spec, self._steps, self._played, self._end_ms = spec, steps, played, end_ms
        self._respond = max(b.respond_ms for b in spec.boxes.values())
        self._steady = max(
            b.settle_ms + 2 * (b.frames_ms["current"].cycle_ms or 0.0) for b in spec.boxes.values()
        )
        self._reach = Reach(spec)
        self._active: list[frozenset[str]] = []
        self._partner: dict[int, int] = {}
        self._index()
        self.wrong: list[str] = []
        self.unread: list[str] = []
        self.held = 0
        for n, step in enumerate(steps):
            for tag in step.covers:
                self._judge(n, tag)

    def _index(self) -> None:
        """Which sensors are active after each step, and which press a release belongs to."""
        active: set[str] = set()
        down: dict[str, int] = {}
        for n, step in enumerate(self._steps):
            if step.kind == "sensor":
                (active.add if step.value else active.discard)(step.name)
            elif step.kind == "press":
                down[step.name] = n
            elif step.kind == "release":
                m = down.pop(step.name)
                self._partner[n], self._partner[m] = m, n
            self._active.append(frozenset(active))

    def _judge(self, n: int, tag: str) -> None:
        behaviour, _, rest = tag.partition(" ")
        check = CHECKS.get(behaviour)
        if behaviour == "transitions":
            return  # recounted elsewhere
        said = check(self, n, rest.split()) if check else None
        if said is None:
            self.unread.append(tag)
        elif said:
            self.held += 1
        else:
            self.wrong.append(f"step {n} at {self._steps[n].at_ms:.0f} ms: {tag}")

    # -- what the box did around a step
    def _span(self, n: int) -> tuple[float, float]:
        """From just before a step, or the press it ends, until it and its release have had their effect."""
        step, other = self._steps[n], self._partner.get(n)
        times = [step.at_ms] if other is None else [step.at_ms, self._steps[other].at_ms]
        return min(times) - 1.0, max(times) + self._respond

    def _before(self, n: int, circuit: str) -> float:
        return self._played.level(circuit, self._span(n)[0])

    def _just_before(self, n: int, circuit: str) -> float:
        return self._played.level(circuit, self._steps[n].at_ms - 1.0)

    def _soon(self, n: int, circuit: str) -> float:
        return self._played.level(circuit, self._steps[n].at_ms + self._respond)

    def _after(self, n: int, circuit: str) -> float:
        return self._played.level(circuit, self._span(n)[1])

    def _function(self, n: int) -> Function | None:
        control = self._spec.controls.get(self._steps[n].name)
        return self._spec.functions[control.function] if control else None

    def _went(self, n: int, circuit: str, word: str) -> bool:
        """On: off before and on soon after; off: the other way round, at the latest by the release."""
        if word == "on":
            return self._before(n, circuit) <= 0 < max(self._soon(n, circuit), self._after(n, circuit))
        return self._before(n, circuit) > 0 >= min(self._soon(n, circuit), self._after(n, circuit))

    def _own(self, n: int, name: str) -> Function | None:
        """The function of the step's key, where it is the one named."""
        f = self._function(n)
        return f if f is not None and f.name == name else None

    def _ruled(self, circuit: str) -> bool:
        """Whether something else than keys has a say in its output."""
        spec = self._spec
        ruled = [r.circuit for r in spec.forces] + [r.circuit for r in spec.inhibits]
        return circuit in ruled or any(r.circuit == circuit for r in spec.follows)

    def _alone(self, n: int) -> list[str]:
        """Circuits that nothing else is done to around a step."""
        since, until = self._span(n)
        mine = (n, self._partner.get(n, n))
        near = [s for m, s in enumerate(self._steps) if m not in mine and since <= s.at_ms <= until]
        touched = frozenset[str]().union(*(self._reach.of(s) for s in near if s.kind != "wait"))
        return [c for c, x in self._spec.circuits.items() if c not in touched and x.auto_off is None]

    # -- one kind of claim each
    def control(self, n: int, words: list[str]) -> bool:
        *name, effect = words
        if self._steps[n].name != " ".join(name):
            return False
        f = self._function(n)
        assert f is not None
        if f.kind == "momentary" and effect == "off":
            return self._after(n, f.members[0]) <= 0
        return any(self._went(n, c, effect) for c in f.circuits)

    def current(self, n: int, words: list[str]) -> bool:
        circuit, at = words[0], words[2]
        start = self._steps[n].at_ms
        later = next((s.at_ms for s in self._steps[n + 1 :]), self._end_ms) + self._respond
        for since, until, level in self._played.still(circuit):
            right = level > 0 if at == "a" else abs(level - float(at)) < NEAR_PCT
            if right and since <= later and start <= until and until - since >= self._steady - self._respond:
                return True
        return False

    def toggle(self, n: int, words: list[str]) -> bool:
        f = self._function(n)
        return f is not None and f.circuits == (words[0],) and self._went(n, *words)

    def group(self, n: int, words: list[str]) -> bool:
        f = self._own(n, words[0])
        if f is None:
            return False
        if words[1] in ("on", "off"):
            return any(self._went(n, c, words[1]) for c in f.members)
        if words[1] == "part":
            lit = [c for c in f.members if self._just_before(n, c) > 0]
            free = [c for c in f.members if c not in lit and not self._is_held_off(n, c)]
            return words[3] in lit and bool(free) and all(c == words[3] or self._ruled(c) for c in lit)
        dims = [c for c in f.members if self._spec.circuits[c].dim]
        return all(len(set(self._held_levels(n, c))) > 2 for c in dims)

    def _is_held_off(self, n: int, circuit: str) -> bool:
        rules = [i for i in self._spec.inhibits if i.circuit == circuit]
        return any(self._just_before(n, s) > 0 for i in rules for s in i.sources)

    def _held_levels(self, n: int, circuit: str) -> list[float]:
        since, until = self._span(n)
        return self._played.levels(circuit, since, until)

    def cycle(self, n: int, words: list[str]) -> bool:
        f = self._spec.functions[words[0]]
        if words[1] == "starts":
            assert f.reset is not None and f.reset.after_s is not None
            mine = [s.at_ms for s in self._steps if s.kind == "press" and self._is_of(s, f)]
            gaps = zip(mine, [*mine[1:], self._end_ms], strict=True)
            return any(b - a > f.reset.after_s * 1000 and b >= self._steps[n].at_ms for a, b in gaps)
        row = f.positions[int(words[2]) - 1]
        return self._own(n, words[0]) is f and all((self._after(n, c) > 0) == (c in row) for c in f.circuits)

    def _is_of(self, step: Step, f: Function) -> bool:
        control = self._spec.controls.get(step.name)
        return control is not None and control.function == f.name

    def momentary(self, n: int, words: list[str]) -> bool:
        return self._own(n, words[0]) is not None

    def scene(self, n: int, words: list[str]) -> bool:
        f = self._own(n, words[0])
        if f is None:
            return False
        stands = all(
            abs(self._after(n, c) - level) < NEAR_PCT for c, level in f.presets.items() if not self._ruled(c)
        )
        if words[1] == "after":
            changed = words[2]
            differed = abs(self._before(n, changed) - f.presets[changed]) >= NEAR_PCT
            return stands and (differed or self._ruled(changed))
        if words[1] == "applied" or f.again == "reapply":
            return stands
        return all(self._after(n, c) <= 0 for c in f.presets if not self._ruled(c))

    def off(self, n: int, words: list[str]) -> bool:
        f = self._own(n, words[0])
        if f is None or any(self._after(n, c) > 0 for c in f.members if not self._ruled(c)):
            return False
        if words[-2:] == ["others", "on"]:
            others = [c for c in self._alone(n) if c not in f.members and self._before(n, c) > 0]
            return bool(others) and all(self._after(n, c) > 0 for c in others if not self._ruled(c))
        if words[-2:] == ["all", "off"]:
            return all(self._before(n, c) <= 0 for c in f.members if not self._ruled(c))
        return True

    def spares(self, n: int, words: list[str]) -> bool:
        """The circuit was on as the key went down, and was still on when that had its effect."""
        f, at_ms = self._own(n, words[0]), self._steps[n].at_ms
        if f is None or self._steps[n].kind != "press" or words[1] in f.circuits:
            return False
        return all(self._played.level(words[1], t) > 0 for t in (at_ms - 1.0, at_ms + self._respond))

    def on(self, n: int, words: list[str]) -> bool:
        f = self._own(n, words[0])
        if f is None:
            return False
        was_on = words[-2:] != ["all", "on"] or all(
            self._before(n, c) > 0 for c in f.members if not self._ruled(c)
        )
        return was_on and all(self._after(n, c) > 0 for c in f.members if not self._ruled(c))

    def dim(self, n: int, words: list[str]) -> bool:
        circuit, what = words[0], " ".join(words[1:])
        d, levels = self._spec.circuits[circuit].dim, self._held_levels(n, circuit)
        assert d is not None
        if what in ("on", "memory"):
            return self._went(n, circuit, "on")
        if what in ("off", "short off"):
            return self._went(n, circuit, "off")
        if what == "hold":
            return len(set(levels)) > 2
        turns = sum((b - a) * (c - b) < 0 for a, b, c in zip(levels, levels[1:], levels[2:], strict=False))
        reached = min(levels) < d.min_pct + 3 or max(levels) > 97
        if what == "turn":
            return reached and turns > 0
        return reached  # stop; the other way

    def force(self, n: int, words: list[str]) -> bool:
        circuit, what = words[0], words[1:]
        rules = [r for r in self._spec.forces if r.circuit == circuit]
        active, now = self._active[n], self._soon(n, circuit)
        mine = any(r.sensor in active for r in rules)
        if what == ["press", "meanwhile"]:
            f = self._function(n)
            return mine and f is not None and circuit in f.circuits
        if self._steps[n].kind != "sensor":
            return False
        if what[0] == "ends":
            return not self._steps[n].value and self._steps[n].name in [r.sensor for r in rules]
        held_off = any(
            self._played.level(s, self._steps[n].at_ms) > 0
            for i in self._spec.inhibits
            if i.circuit == circuit
            for s in i.sources
        )
        if what[0] == "over":
            return mine and held_off and (now > 0) == (rules[0].over_inhibit == "passes")
        right = mine and (now >= 100 or (held_off and rules[0].over_inhibit == "yields"))
        if what[0] == "while":
            return right and self._just_before(n, circuit) > 0
        return right and self._steps[n].name == what[1]

    def inhibit(self, n: int, words: list[str]) -> bool:
        target, source, what = words[0], words[2], words[3]
        if what == "refused":
            f = self._function(n)
            at_ms = self._steps[n].at_ms
            levels = self._played.levels(target, at_ms - 1.0, at_ms + self._respond)
            refused = max(levels) <= 0 < self._before(n, source) and self._steps[n].kind == "press"
            return refused and f is not None and target in f.circuits and f.kind != "off"
        return self._just_before(n, source) <= 0 < self._soon(n, source) and self._just_before(
            n, target
        ) > 0 >= self._soon(n, target)

    def follow(self, n: int, words: list[str]) -> bool:
        target, *more = words
        if more[:2] == ["on", "before,"]:
            source, what = more[2], more[3]
            if self._just_before(n, target) <= 0:
                return False
        else:
            source, what = more[1], more[2]
        rule = next(r for r in self._spec.follows if r.circuit == target)
        others = any(self._just_before(n, s) > 0 for s in rule.sources if s != source)
        kept_off = any(r.circuit == target for r in self._spec.inhibits)
        if what == "begins":
            began = self._before(n, source) <= 0 < max(self._played.levels(source, *self._span(n)))
            return began and (others or kept_off or max(self._played.levels(target, *self._span(n))) > 0)
        ended = self._ended(n, source)
        stays = others or rule.release == "keep" or any(r.circuit == target for r in self._spec.forces)
        return ended and (stays or self._ended(n, target) or self._just_before(n, target) <= 0)

    def _ended(self, n: int, circuit: str) -> bool:
        """Went off by this step; a wait lasts until the timer's end."""
        until = self._span(n)[1]
        if self._steps[n].kind == "wait":
            until = next((s.at_ms for s in self._steps[n + 1 :] if self._is_near(s, circuit)), self._end_ms)
        since = self._steps[n].at_ms - 1.0 if self._steps[n].kind == "release" else self._span(n)[0]
        levels = self._played.levels(circuit, since, until)
        return levels[0] > 0 >= min(levels)

    def _is_near(self, step: Step, circuit: str) -> bool:
        control = self._spec.controls.get(step.name)
        return control is not None and circuit in self._spec.functions[control.function].circuits

    def timer(self, n: int, words: list[str]) -> bool:
        """It went off as long after it went on as was agreed, with this step in between."""
        circuit: Circuit = self._spec.circuits[words[0]]
        assert circuit.auto_off is not None
        due, slack = circuit.auto_off.after_s * 1000, circuit.auto_off.tolerance_s * 1000 + self._respond
        began: float | None = None
        for t_ms, level in self._played.stored(circuit.name):
            if began is not None and level <= 0:
                waited = began - self._respond <= self._steps[n].at_ms <= t_ms + slack
                if waited and abs(t_ms - began - due) <= slack:
                    return True
                began = None
            elif began is None and level > 0:
                began = t_ms
        return False

    def outside(self, n: int, words: list[str]) -> bool:
        name = " ".join(words).removesuffix(" with some on")
        some = not " ".join(words).endswith("with some on") or any(
            self._just_before(n, c) > 0 for c in self._spec.circuits
        )
        return some and self._steps[n].name == name and name in self._spec.outside

    def wake(self, n: int, words: list[str]) -> bool:
        return self._steps[n].kind in ("supply", "wake", "wait") and words[0] in self._spec.boxes

    def burst(self, n: int, words: list[str]) -> bool:
        """Another key went down within BURST_MS, what they reach is apart, and it had its effect."""
        step, f = self._steps[n], self._function(n)
        near = [s for s in self._steps if s.kind == "press" and 0 < abs(s.at_ms - step.at_ms) <= BURST_MS]
        apart = all(self._reach.of(step).isdisjoint(self._reach.of(s)) for s in near)
        if f is None or step.kind != "press" or f.name != words[0] or not near or not apart:
            return False
        return any((self._before(n, c) > 0) is not (self._after(n, c) > 0) for c in f.circuits)

    def lost(self, n: int, words: list[str]) -> bool:
        return Losses(self._spec, self._steps, self._partner, self._played).holds(n, words)

    def scenario(self, n: int, words: list[str]) -> bool:
        return plan_told.holds(self._spec, self._steps, n, words[0], self._played)


CHECKS: dict[str, Callable[[Claims, int, list[str]], bool]] = {
    "control": Claims.control, "current": Claims.current, "toggle": Claims.toggle, "group": Claims.group,
    "cycle": Claims.cycle, "momentary": Claims.momentary, "scene": Claims.scene, "off": Claims.off,
    "on": Claims.on, "dim": Claims.dim, "force": Claims.force, "inhibit": Claims.inhibit,
    "follow": Claims.follow, "auto-off": Claims.timer, "outside": Claims.outside, "wake": Claims.wake,
    "lost": Claims.lost, "spares": Claims.spares, "burst": Claims.burst, "scenario": Claims.scenario,
}  # fmt: skip
