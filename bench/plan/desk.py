"""What a script has at hand: the simulated boat, its controls in turn, and the basic moves."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from math import inf

from bench.spec.model import Function, Spec

from .act import WOBBLE_MS, Act, Script
from .pace import SIGNAL_MS, Pace
from .sim import Sim
from .spared import Spared

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
        self._owned = {c for f in self.functions("toggle", "cycle", "group") for c in f.circuits}
        self._used: Counter[tuple[str, str]] = Counter()
        self._presses: Counter[str] = Counter()
        self._held: dict[str, str] = {}
        self.spared = Spared(spec, pace)

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
        return circuit in self._owned

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
        as_tap = not self._dims(control)
        soon_ms = self.soon_ms(control)
        yield Act("press", control, 1, tap, about, covers, holds=holds, as_tap=as_tap, within_ms=soon_ms)
        yield self._tapped(control, (dwell or self.pace.dwell) - tap)

    def soon_ms(self, control: str) -> float:
        """How soon a short press must be over."""
        if not self._dims(control):
            return inf
        circuits = self.spec.functions[self.spec.controls[control].function].circuits
        dims = (d for c in circuits if (d := self.spec.circuits[c].dim) is not None)
        return min(d.hold_ms for d in dims) - self.pace.guard

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
        urgent = 4 if self.spec.functions[function].kind == "momentary" else 2  # it may be a horn
        yield Act("release", control, 0, self.pace.dwell, f"{control} released", urgent=urgent)

    @property
    def brief_ms(self) -> float:
        """From what only prepares to the next stimulus. A sample may show a circuit this once."""
        return self.pace.dwell if self.short else self.pace.proof

    @property
    def stroke_ms(self) -> float:
        """How long a momentary is held: its current must be steady for two cycles."""
        return min(self.pace.steady + 5.0, SIGNAL_MS - self.pace.apart - WOBBLE_MS)

    def switch(self, circuit: str, *, on: bool, about: str = "", covers: tuple[str, ...] = ()) -> Script:
        """Bring one circuit on or off by whatever control does it; nothing when none can."""
        dwell = self.pace.dwell if covers else self.brief_ms
        if circuit in self._held and not on:
            control = self._held.pop(circuit)
            yield Act("release", control, 0, dwell, about or f"{circuit} let go", covers, urgent=1)
            return
        if self.is_on(circuit) == on:
            return
        text = about or f"{circuit} switched {'on' if on else 'off'}"
        if circuit in self.toggle_of:
            name = self.toggle_of[circuit].name
            yield from self.tap(name, "on" if on else "off", text, *covers, dwell=dwell)
            return
        for f in self.functions("momentary"):
            if f.members[0] == circuit and on:
                control = self.pick(f.name, "hold")
                self._held[circuit] = control
                yield Act("press", control, 1, dwell, text, covers)
                return
        for f in self.functions("cycle", "group"):
            if circuit in f.circuits:
                for _ in range(len(f.positions) or 2):
                    if self.is_on(circuit) != on:
                        yield from self.tap(f.name, self.next_effect(f), text, *covers, dwell=dwell)
                return
        for f in self.functions("on" if on else "off"):
            if circuit in f.members:
                yield from self.tap(f.name, f.kind, text, *covers, dwell=dwell)
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
        """Bring them on or off, whole groups by their key. Those of different clusters do not wait for each
        other, where they have keys of their own; the others go one after the other."""
        names, pressed = list(circuits), set[str]()
        effect, word = "on" if on else "off", about or f"switched {'on' if on else 'off'}"
        quick = [(f.name, effect, f"{f.name}: all {word}") for f in self._groups(names, on=on)]
        for _ in range(MOST_ROUNDS):
            used = set(self.clusters(c for name, *_ in quick for c in self.spec.functions[name].circuits))
            for c in names:
                k = self.sim.cluster_of[c]
                wanted = self.is_on(c) != on and c not in self._held and c not in pressed
                if k not in used and wanted and self.has_own_key(c):
                    used.add(k)
                    quick.append(self._toward(c, effect, f"{c} {word}"))
                    pressed |= {c} & self.toggle_of.keys()
            if not quick:
                break
            yield from self._side_by_side(quick)
            quick = []
        for c in names:
            if c in self._held or self.is_on(c) != on:
                yield from self.switch(c, on=on, about=about and f"{c} {about}")

    def _toward(self, circuit: str, effect: str, about: str) -> tuple[str, str, str]:
        """One press of a key of its own: of which function, to what effect, and in words."""
        if circuit in self.toggle_of:
            return self.toggle_of[circuit].name, effect, about
        f = next(f for f in self.functions("cycle", "group") if circuit in f.circuits)
        return f.name, self.next_effect(f), about

    def _groups(self, circuits: Collection[str], *, on: bool) -> Iterator[Function]:
        """Groups of which each member is to change, one of each cluster."""
        used: set[int] = set()
        for f in self.functions("group"):
            clusters = self.clusters(f.members)
            fits = len(clusters) == 1 and used.isdisjoint(clusters) and set(f.members).issubset(circuits)
            if fits and all(self.sim.on(m) is not on and m not in self._held for m in f.members):
                used |= clusters
                yield f

    def _side_by_side(self, taps: Sequence[tuple[str, str, str]]) -> Script:
        """Short presses of keys of different clusters, by function, effect and words; two are down at a time,
        but for those that dim, which must not be down for long."""
        tap_ms = self.pace.tap
        waiting = [(self.pick(name, effect), about) for name, effect, about in taps]
        while waiting:
            one, about = waiting.pop(0)
            pairs = waiting and not self._dims(one) and not self._dims(waiting[0][0])
            rest_ms = 0.0 if len(waiting) > int(bool(pairs)) else self.brief_ms - tap_ms
            if pairs:
                other, text = waiting.pop(0)
                yield Act("press", one, 1, 0.0, about, opens=(other,))
                yield Act("press", other, 1, tap_ms - self.pace.apart, text, urgent=1)
                yield self._tapped(one, 0.0)
                yield self._tapped(other, rest_ms)
            else:
                yield Act("press", one, 1, tap_ms, about, within_ms=self.soon_ms(one))
                yield self._tapped(one, rest_ms)

    def _tapped(self, control: str, then_ms: float) -> Act:
        """The end of a short press."""
        dims = self._dims(control)  # late, it would be no short press
        return Act("release", control, 0, then_ms, urgent=3 if dims else 1, as_tap=not dims)

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
