"""What key lamps, panel lighting and fault flags may show."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any

from bench.spec.model import Backlight, Control, Function, Spec

from .levels import NO, YES
from .observe import fault
from .presses import counted, locks, matched, scene_stands
from .run import Product, Run, TooMany, explore, output_on, tripped
from .tables import ClusterTable, FunctionTable
from .writes import FREE

Bits = int  # three-valued, as in levels
Spans = tuple[tuple[float, float], ...]
States = Sequence[Sequence[Product]]
TRIPPED_SHOWS = {"flashing": 2.0, "on": 1.0, "off": 0.0}


class Indicators:
    """`reach`: signal -> clusters it depends on; `values`: what it may show, as sorted intervals."""

    def __init__(self, spec: Spec, tables: Sequence[ClusterTable], where: Mapping[str, int]) -> None:
        self._spec, self._tables, self._where = spec, tables, where
        self.reach: dict[str, tuple[int, ...]] = {}
        self._shows: dict[str, Callable[[States], Spans]] = {}
        for control in spec.controls.values():
            if control.lamp is not None:
                self._add_lamp(control)
        for light in spec.backlights:
            self._add_backlight(light)
        for name in spec.circuits:
            self._add_fault(name)

    def values(self, signal: str, states: States) -> Spans:
        """All values the signal may show now; one of equal ends when it is known."""
        return self._shows[signal](states)

    def _clusters(self, circuits: Sequence[str]) -> tuple[int, ...]:
        return tuple(dict.fromkeys(self._where[c] for c in circuits))

    def _add_lamp(self, control: Control) -> None:
        lamp = control.lamp
        assert lamp is not None
        function = self._spec.functions[control.function]
        circuits = lamp.circuits or function.circuits
        own = () if lamp.shows in ("any", "all") else function.circuits
        reach = self._clusters((*own, *circuits))
        self.reach[f"lamp:{control.name}"] = reach
        asked = self._question(lamp.shows, function, circuits)
        trips = [c for c in circuits if self._spec.circuits[c].trip is not None] if lamp.tripped else []
        instead = TRIPPED_SHOWS[lamp.tripped] if lamp.tripped else 0.0
        latched = self._members(trips, tripped, every=False)

        def shows(states: States) -> Spans:
            values = _values(asked(states), 0.0, 1.0)
            if trips:
                latch = latched(states)
                values = (values if latch & NO else set()) | ({instead} if latch & YES else set())
            return _spans(values)

        self._shows[f"lamp:{control.name}"] = shows

    def _question(self, shows: str, function: Function, circuits: Sequence[str]) -> Callable[[States], Bits]:
        if shows in ("any", "all"):
            return self._members(circuits, output_on, every=shows == "all")
        if function.kind == "scene":
            return self._scene(function)
        if function.kind == "cycle":
            wanted = frozenset(i for i, p in enumerate(function.positions) if p)
            return self._position(function, wanted)
        return self._members(function.circuits, output_on, every=False)

    def _members(
        self, circuits: Sequence[str], asks: Callable[[Run, list[Any], int], bool], *, every: bool
    ) -> Callable[[States], Bits]:
        """Any, or all, of these circuits: three-valued over clusters."""
        parts: list[tuple[int, Callable[[Run], bool]]] = []
        for k in self._clusters(circuits):
            members = [self._tables[k].names.index(c) for c in circuits if self._where[c] == k]
            parts.append((k, partial(_join, members=members, asks=asks, every=every)))

        def answer(states: States) -> Bits:
            bits = [_over(self._tables[k], states[k], test) for k, test in parts]
            return _all(bits) if every else _any(bits)

        return answer

    def _scene(self, function: Function) -> Callable[[States], Bits]:
        reach = self._clusters(function.circuits)

        tables = [(self._tables[k], self._tables[k].functions[function.name]) for k in reach]

        def answer(states: States) -> Bits:
            if len(tables) == 1:
                t, f = tables[0]
                return _over(t, states[t.number], partial(_stands, f=f, alone=True))
            ok = [_over(t, states[t.number], partial(_stands, f=f)) for t, f in tables]
            free = [_over(t, states[t.number], partial(_free, f=f)) for t, f in tables]
            return _all([_all(ok), _any(free)])

        return answer

    def _position(self, function: Function, wanted: frozenset[int]) -> Callable[[States], Bits]:
        k = self._where[function.circuits[0]]
        t = self._tables[k]
        f = t.functions[function.name]

        def stands(run: Run) -> bool:
            return (counted(run, f) if f.counter >= 0 else matched(run, f, locks(run, f))) in wanted

        return lambda states: _over(t, states[k], stands)

    def _add_backlight(self, light: Backlight) -> None:
        asked: list[Callable[[States], Bits]] = []
        reach: list[int] = []
        for name, places in light.when.items():
            function = self._spec.functions[name]
            reach += self._clusters(function.circuits)
            if function.kind == "cycle":
                asked.append(self._position(function, frozenset(p - 1 for p in places)))
            else:
                asked.append(self._question("active", function, function.circuits))
        signal = f"backlight:{light.panel}"
        self.reach[signal] = tuple(dict.fromkeys(reach))
        self._shows[signal] = lambda states: _spans(
            _values(_any([a(states) for a in asked]), light.else_pct, light.level_pct)
        )

    def _add_fault(self, name: str) -> None:
        k = self._where[name]
        t = self._tables[k]
        c = t.names.index(name)
        signal = f"fault:{name}"
        self.reach[signal] = (k,)

        def shows(states: States) -> Spans:
            values: set[float] = set()
            for product in states[k]:
                values.update(v for v, _ in explore(t, product, lambda run: fault(run, c), 0, 0))
            return _spans(values)

        self._shows[signal] = shows


def _join(
    run: Run, *, members: Sequence[int], asks: Callable[[Run, list[Any], int], bool], every: bool
) -> bool:
    test = all if every else any
    return test(asks(run, run.w, c) for c in members)


def _free(run: Run, *, f: FunctionTable) -> bool:
    return FREE in locks(run, f)


def _stands(run: Run, *, f: FunctionTable, alone: bool = False) -> bool:
    met = locks(run, f)
    return scene_stands(run, f, met) and (not alone or FREE in met)


def _over(t: ClusterTable, products: Sequence[Product], asks: Callable[[Run], bool]) -> Bits:
    """The answers over all products of one cluster."""
    bits = 0
    for product in products:
        try:
            for yes, _ in explore(t, product, asks, 0, 0):
                bits |= YES if yes else NO
        except TooMany:
            return YES | NO
    return bits or YES | NO


def _any(bits: Sequence[Bits]) -> Bits:
    return (YES if any(b & YES for b in bits) else 0) | (NO if all(b & NO for b in bits) else 0)


def _all(bits: Sequence[Bits]) -> Bits:
    return (YES if all(b & YES for b in bits) else 0) | (NO if any(b & NO for b in bits) else 0)


def _values(bits: Bits, no: float, yes: float) -> set[float]:
    return ({no} if bits & NO else set()) | ({yes} if bits & YES else set())


def _spans(values: set[float]) -> Spans:
    return tuple((v, v) for v in sorted(values))
