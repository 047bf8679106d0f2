"""What a script has at hand: the simulated boat, its controls in turn, and the basic moves."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator

from bench.spec.model import Function, Spec

from .pace import SIGNAL_MS, Pace
from .sim import Sim
from .weave import WOBBLE_MS, Act, Script

MOST_ROUNDS = 4  # of presses side by side; what then still is not as wished goes one after the other
IDLE = ("same", "refused", "again")  # presses after which all is as before


class Desk:
    """Basic moves as scripts, for `yield from`. `short`: leave out what a sample can do without."""

    def __init__(self, spec: Spec, sim: Sim, pace: Pace, *, short: bool, seed: int) -> None:
        self.spec, self.sim, self.pace, self.short = spec, sim, pace, short
        self.keys: dict[str, list[str]] = {}
        for control in spec.controls.values():
            self.keys.setdefault(control.function, []).append(control.name)
        for function, names in self.keys.items():
            first = seed % len(names)  # the seed decides which control begins
            self.keys[function] = names[first:] + names[:first]
        self.toggle_of: dict[str, Function] = {}
        for f in self.functions("toggle"):
            self.toggle_of.setdefault(f.members[0], f)
        self._used: Counter[tuple[str, str]] = Counter()
        self._presses: Counter[str] = Counter()
        self._held: dict[str, str] = {}

    # -- asking

    def functions(self, *kinds: str) -> Iterator[Function]:
        """Functions of these kinds that a control can reach."""
        return (f for f in self.spec.functions.values() if f.kind in kinds and f.name in self.keys)

    def clusters(self, circuits: Iterable[str]) -> frozenset[int]:
        """The clusters of these circuits."""
        return frozenset(self.sim.cluster_of[c] for c in circuits)

    def with_help(self, clusters: frozenset[int]) -> frozenset[int]:
        """With those that are reached by shared keys, where circuits of these have no keys of their own."""
        return clusters.union(
            *(
                self.clusters(f.circuits)
                for c, k in self.sim.cluster_of.items()
                if k in clusters and not self.has_own_key(c)
                for f in self.functions("on", "off")
                if c in f.circuits
            )
        )

    def has_own_key(self, circuit: str) -> bool:
        """Whether `switch` can do without functions that other clusters share."""
        return any(circuit in f.circuits for f in self.functions("toggle", "cycle", "group"))

    def is_on(self, circuit: str) -> bool:
        """Whether the output is certainly on now."""
        return self.sim.on(circuit) is True

    def stands(self, scene: Function) -> bool:
        """Whether each circuit of a scene is surely at its level."""
        return all(self.sim.level(c) == (level, level) for c, level in scene.presets.items())

    def pick(self, function: str, effect: str) -> str:
        """The control of the function that was used least for this effect; notes its use."""
        names = self.keys[function]
        best = min(names, key=lambda n: (self._used[n, effect], self._presses[n], names.index(n)))
        self._used[best, effect] += 1
        self._presses[best] += 1
        return best

    def lacking(self, function: str, *effects: str) -> bool:
        """Whether some control of the function was never used for one of the effects."""
        return any(not self._used[n, e] for n in self.keys[function] for e in effects)

    def untried(self, function: str) -> bool:
        """Whether some control of the function never had an effect."""
        tried = {name for (name, effect), n in self._used.items() if n and effect not in IDLE}
        return not tried.issuperset(self.keys.get(function, ()))

    # -- moves

    def tap(
        self, function: str, effect: str, about: str, *covers: str, dwell: float | None = None,
        holds: Callable[[], bool] | None = None,
    ) -> Script:  # fmt: skip
        """A short press of one of the function's controls, then long enough to see what it did."""
        control = self.pick(function, effect)
        yield from self.tap_control(control, about, *covers, dwell=dwell, holds=holds)

    def tap_control(
        self, control: str, about: str, *covers: str, dwell: float | None = None,
        holds: Callable[[], bool] | None = None,
    ) -> Script:  # fmt: skip
        """The same for one control by name."""
        tap = self.pace.tap
        yield Act("press", control, 1, tap, about, covers, holds=holds)
        urgent = 3 if self._dims(control) else 1  # late, it would be no short press
        yield Act("release", control, 0, (dwell or self.pace.dwell) - tap, urgent=urgent)

    def _dims(self, control: str) -> bool:
        if control not in self.spec.controls:
            return False
        f = self.spec.functions[self.spec.controls[control].function]
        dims = any(self.spec.circuits[c].dim is not None for c in f.circuits)
        return dims and (f.kind == "toggle" or f.dim_together)

    def hold(self, function: str, effect: str, ms: float, about: str, *covers: str) -> Script:
        """A press of `ms`."""
        control = self.pick(function, effect)
        yield Act("press", control, 1, ms, about, covers)
        yield Act("release", control, 0, self.pace.dwell, f"{control} released", urgent=2)

    @property
    def stroke_ms(self) -> float:
        """How long a momentary is held: its current must be steady for two cycles."""
        return min(self.pace.steady + 5.0, SIGNAL_MS - self.pace.apart - WOBBLE_MS)

    def switch(self, circuit: str, *, on: bool, about: str = "", covers: tuple[str, ...] = ()) -> Script:
        """Bring one circuit on or off by whatever control does it; nothing when none can."""
        if circuit in self._held and not on:
            control = self._held.pop(circuit)
            yield Act("release", control, 0, self.pace.dwell, about or f"{circuit} let go", covers, urgent=1)
            return
        if self.is_on(circuit) == on:
            return
        text = about or f"{circuit} switched {'on' if on else 'off'}"
        if circuit in self.toggle_of:
            yield from self.tap(self.toggle_of[circuit].name, "on" if on else "off", text, *covers)
            return
        for f in self.functions("momentary"):
            if f.members[0] == circuit and on:
                control = self.pick(f.name, "hold")
                self._held[circuit] = control
                yield Act("press", control, 1, self.pace.dwell, text, covers)
                return
        for f in self.functions("cycle", "group"):
            if circuit in f.circuits:
                for _ in range(len(f.positions) or 2):
                    if self.is_on(circuit) != on:
                        yield from self.tap(f.name, self.next_effect(f), text, *covers)
                return
        for f in self.functions("on" if on else "off"):
            if circuit in f.members:
                yield from self.tap(f.name, f.kind, text, *covers)
                return

    def reach(self, circuit: str) -> bool:
        """Whether `switch` has any way to bring it on."""
        ways = (
            f for f in self.functions("toggle", "momentary", "cycle", "group", "on") if circuit in f.circuits
        )
        return next(ways, None) is not None

    def next_effect(self, f: Function) -> str:
        """What the next press of a cycle or group will do: `position 2`, `on`, `off`."""
        if f.kind == "cycle":
            pattern = {c: self.is_on(c) for c in f.circuits}
            here = [i for i, p in enumerate(f.positions) if all(pattern[c] == (c in p) for c in pattern)]
            return f"position {(here[-1] + 1) % len(f.positions) + 1}" if here else "position 1"
        lit = [self.is_on(m) for m in f.members]
        return "off" if all(lit) or (any(lit) and f.part_on == "all_off") else "on"

    def together(self, circuits: Iterable[str], *, on: bool, about: str = "") -> Script:
        """Bring them on or off. Those of different clusters do not wait for each other, where they have keys
        of their own; the others go one after the other."""
        mine = [c for c in circuits if c in self._held or self.is_on(c) != on]
        quick: list[str] = []
        for _ in range(MOST_ROUNDS):
            once = {c for c in quick if c in self.toggle_of}
            first: dict[int, str] = {}
            for c in mine:
                if c not in self._held and self.is_on(c) != on and self.has_own_key(c) and c not in once:
                    first.setdefault(self.sim.cluster_of[c], c)
            quick = list(first.values())
            for c in quick:
                text = f"{c} {about or ('switched on' if on else 'switched off')}"
                dwell = self.pace.dwell if c == quick[-1] else self.pace.tap
                yield from self._toward(c, on=on, about=text, dwell=dwell)
        for c in mine:
            yield from self.switch(c, on=on, about=about and f"{c} {about}")

    def _toward(self, circuit: str, *, on: bool, about: str, dwell: float) -> Script:
        """One press of a key of its own."""
        if circuit in self.toggle_of:
            yield from self.tap(self.toggle_of[circuit].name, "on" if on else "off", about, dwell=dwell)
            return
        f = next(f for f in self.functions("cycle", "group") if circuit in f.circuits)
        yield from self.tap(f.name, self.next_effect(f), about, dwell=dwell)

    def leave(self, circuits: Iterable[str], down: Iterable[str], active: Iterable[str]) -> Script:
        """The way out of a script that is cut short: keys up, sensors at rest, circuits off."""
        names = list(circuits)
        for control in down:
            yield Act("release", control, 0, self.pace.dwell, f"{control} let go", urgent=2)
        for name in names:
            self._held.pop(name, None)
        for sensor in active:
            yield Act("sensor", sensor, 0, self.pace.dwell, f"{sensor} at rest")
        yield from self.all_off(names)
        yield from self.all_off(names)

    def all_off(self, circuits: Iterable[str]) -> Script:
        """Every circuit of these that is on, off again."""
        yield from self.together(circuits, on=False)
