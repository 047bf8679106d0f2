"""The reference model of a boat, made from its spec. Pure: new states come out, nothing is remembered."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from typing import Any, cast

from bench.core import event as ev
from bench.core.event import Event
from bench.core.model import Cause, State
from bench.core.timeline import Course
from bench.spec.model import Spec

from . import beliefs, causes, observe
from .clusters import glued
from .lamps import Indicators
from .levels import MAYBE, NO, YES
from .offwords import off_words
from .presses import ALONE, Others, press, release, scene_view
from .run import Product, Run, TooMany, explore
from .tables import TIMER, ClusterTable
from .timeless import awaited, timeless
from .writes import WAIT, WILD, settle

States = Sequence[Sequence[State]]


class Oracle:
    """Fulfils `bench.core.model.Model` for one spec.

    `clusters`, `indicators` as there. `circuit_cluster`: circuit -> its cluster's number.
    A cause is a plain tuple (kind, instant in ns, subject, value or what other clusters know).
    """

    def __init__(self, spec: Spec) -> None:
        self.spec = spec
        self._clusters = glued(spec)
        self.circuit_cluster: Mapping[str, int] = {
            name: k for k, names in enumerate(self._clusters) for name in names
        }
        written = {name: function.circuits for name, function in spec.functions.items()}
        self.tables = tuple(ClusterTable(spec, k, names, written) for k, names in enumerate(self._clusters))
        self._lamps = Indicators(spec, self.tables, self.circuit_cluster)
        self._reach = {c: self._control_clusters(c) for c in spec.controls}
        self._releases = {
            c: tuple(k for k in ks if self._feels_release(k, c)) for c, ks in self._reach.items()
        }
        self._box_reach = {b: self._where([b in t.boxes for t in self.tables]) for b in spec.boxes}
        self._lost_reach = {
            f"sensor {s}": self._where([s in t.sensors for t in self.tables]) for s in spec.sensors
        }
        for node in [f"panel {p}" for p in spec.panels] + [f"screen {s}" for s in spec.screens]:
            felt = [any(c.feels_loss for c in t.nodes.get(node, ())) for t in self.tables]
            self._lost_reach[node] = self._where(felt)

    @property
    def clusters(self) -> tuple[tuple[str, ...], ...]:
        return self._clusters

    @property
    def indicators(self) -> Mapping[str, tuple[int, ...]]:
        return self._lamps.reach

    def control_clusters(self, control: str) -> tuple[int, ...]:
        """Clusters a control's function may write; empty for one outside the box."""
        return self._reach.get(control, ())

    def targets(self, control: str) -> tuple[str, ...]:
        """Circuits a control's function may write directly; empty for one outside the box."""
        bound = self.spec.controls.get(control)
        return self.spec.functions[bound.function].circuits if bound else ()

    def off_words(self) -> Mapping[str, tuple[tuple[str, int], ...]]:
        """Circuit -> (control, most presses), best first; see `offwords` for the whole of it."""
        words = off_words(self.spec)
        return {c: tuple((w.control, w.presses) for w in ws if w.presses) for c, ws in words.items()}

    def _control_clusters(self, control: str) -> tuple[int, ...]:
        return tuple(dict.fromkeys(self.circuit_cluster[c] for c in self.targets(control)))

    def _feels_release(self, cluster: int, control: str) -> bool:
        bound = self.tables[cluster].controls[control]
        return bound.key >= 0 or bound.shortest_ns > 0

    @staticmethod
    def _where(holds: Sequence[bool]) -> tuple[int, ...]:
        return tuple(k for k, yes in enumerate(holds) if yes)

    # -- states

    def unknown(self, cluster: int, t_ns: int) -> list[State]:
        return cast(list[State], beliefs.unknown(self.tables[cluster], t_ns))

    def rest(self, cluster: int) -> State:
        """Awake, all off, counters at their last position, memories 100 %, no key held, no lock."""
        return beliefs.at_rest(self.tables[cluster])

    def all_off(self, cluster: int) -> State:
        """As `rest`, but what dimmers remember and which way they go next is not known."""
        return beliefs.all_off(self.tables[cluster])

    def calmed(self, cluster: int, states: Sequence[State]) -> State | None:
        """One state at rest with all that dimmers may remember in these; None where more is not at rest."""
        return beliefs.calmed(self.tables[cluster], cast(Sequence[Product], states))

    def merge(self, cluster: int, states: Sequence[State]) -> list[State]:
        """Equal states once; beyond 64 one state that holds them all, for which `crowded` is true."""
        return cast(list[State], beliefs.merge(self.tables[cluster], cast(Sequence[Product], states)))

    def crowded(self, cluster: int, state: State) -> bool:
        """Whether the state stands for too many possibilities to be followed one by one."""
        return bool(cast(Product, state)[self.tables[cluster].overflow])

    def hidden(self, cluster: int, state: State) -> Mapping[str, tuple[float, float]]:
        """Hidden variables and their possible range; see `beliefs.hidden` for names and units."""
        return beliefs.hidden(self.tables[cluster], cast(Product, state))

    def timeless(self, cluster: int, state: State) -> Hashable:
        """The state without its instants; see `timeless.timeless`."""
        return timeless(self.tables[cluster], cast(Product, state))

    def awaited(self, cluster: int, state: State) -> tuple[str, ...]:
        """Circuits whose timer runs and functions whose count is forgotten after a time."""
        return awaited(self.tables[cluster], cast(Product, state))

    # -- causes

    def route(self, event: Event, states: States) -> list[tuple[int, Cause]]:
        t_ns, kind, name, value = event
        if kind == ev.PRESS:
            return self._route_press(t_ns, name, states)
        if kind == ev.RELEASE:
            return [(k, (kind, t_ns, name, value)) for k in self._releases.get(name, ())]
        reached: tuple[int, ...]
        if kind in (ev.BY_HAND, ev.TRIP):
            reached = (self.circuit_cluster[name],) if name in self.circuit_cluster else ()
        elif kind == ev.SENSOR:
            reached = self._lost_reach.get(f"sensor {name}", ())
        elif kind == ev.LOST:
            reached = self._lost_reach.get(name, ()) if value or name.startswith("sensor ") else ()
        else:
            reached = self._box_reach.get(name, ())
        return [(k, (kind, t_ns, name, value)) for k in reached]

    def _route_press(self, t_ns: int, name: str, states: States) -> list[tuple[int, Cause]]:
        reached = self._reach.get(name, ())
        if len(reached) < 2 or self.spec.functions[self.spec.controls[name].function].kind != "scene":
            return [(k, (ev.PRESS, t_ns, name, ALONE)) for k in reached]
        views = {k: self._view(k, name, states[k]) for k in reached}
        others = {k: _others([v for j, v in views.items() if j != k]) for k in reached}
        return [(k, (ev.PRESS, t_ns, name, others[k])) for k in reached]

    def _view(self, cluster: int, control: str, states: Sequence[State]) -> Others:
        """What one cluster knows of a scene: all free members at preset? any free? any tripped?"""
        t = self.tables[cluster]
        function = t.controls[control].function
        seen = [0, 0, 0]
        for state in states:
            try:
                found = explore(t, cast(Product, state), lambda run: scene_view(run, function), 0, 0)
            except TooMany:
                return MAYBE, MAYBE, MAYBE
            for view, _ in found:
                for i, yes in enumerate(view):
                    seen[i] |= YES if yes else NO
        return (seen[0] or MAYBE, seen[1] or MAYBE, seen[2] or MAYBE)

    def step(self, cluster: int, state: State, cause: Cause) -> list[State]:
        t = self.tables[cluster]
        product, why = cast(Product, state), cast(tuple[Any, ...], cause)
        undo = product[t.undo]
        if undo is None:
            return self._explored(t, product, lambda run: _happen(run, why), why[1], why[1])
        plain = _with(product, t.undo, None)
        out = self._explored(t, plain, lambda run: _happen(run, why), why[1], why[1])
        if why[1] <= undo[0]:
            if why[0] == ev.RELEASE and why[2] == undo[1]:
                out.append(undo[2])  # it may have been too short to count
            else:
                out += self._explored(t, undo[2], lambda run: _happen(run, why), why[1], why[1])
        return cast(list[State], beliefs.merge(t, cast(list[Product], out)))

    def _explored(
        self, t: ClusterTable, product: Product, act: Callable[[Run], None], t_lo: int, t_hi: int
    ) -> list[State]:
        try:
            found = explore(t, product, act, t_lo, t_hi)
        except TooMany:
            every = beliefs.unknown(t, t_lo)
            return [beliefs.join(t, every, crowded=True)]
        if len(found) == 1:
            return [tuple(found[0][1].w)]
        return cast(list[State], beliefs.merge(t, [tuple(run.w) for _, run in found]))

    # -- time

    def next_due(self, cluster: int, state: State) -> tuple[int, int] | None:
        t = self.tables[cluster]
        if not t.due_slots:
            return None
        dues = _dues(t, cast(Product, state))
        if not dues:
            return None
        return min(d[2] for d in dues), min(d[3] for d in dues)

    def next_end(self, cluster: int, state: State) -> tuple[int, int] | None:
        t = self.tables[cluster]
        dues = [d for d in _dues(t, cast(Product, state)) if d[0] != "press"] if t.due_slots else []
        return (min(d[2] for d in dues), min(d[3] for d in dues)) if dues else None

    def fire(self, cluster: int, state: State) -> list[State]:
        """States after the first change due; one for each change that may come first. A press that has
        lasted long enough near the end of a timer may come before it or after it."""
        t, product = self.tables[cluster], cast(Product, state)
        dues = _dues(t, product)
        latest = min((d[3] for d in dues), default=0)
        if any(d[0] == "press" for d in dues) and any(d[0] != "press" for d in dues):
            latest += max(t.respond_ns)
        out: list[State] = []
        for due in dues:
            if due[2] <= latest:
                out += self._fired(t, product, due, latest)
        return list(dict.fromkeys(out))  # no hull across changes: it would put back what has happened

    def _fired(self, t: ClusterTable, product: Product, due: causes.Due, latest: int) -> list[State]:
        if due[0] != "press":
            return self._explored(t, product, lambda run: causes.fire(run, due), due[2], latest)
        entry = product[t.pending][due[1]]
        before = _with(product, t.pending, tuple(e for e in product[t.pending] if e is not entry))
        until = due[2] + t.controls[entry[1]].scan_ns
        done = self._explored(t, product, lambda run: causes.fire(run, due), due[2], latest)
        return [_with(cast(Product, s), t.undo, (until, entry[1], before)) for s in done]

    # -- what shows

    def courses(self, cluster: int, state: State) -> tuple[Course, ...]:
        return observe.courses(self.tables[cluster], cast(Product, state))

    def keep(self, cluster: int, state: State, signal: str, lo: float, hi: float) -> State | None:
        """As in the protocol; also for `sensor:` and, where supply tells, `shed:BOX` (0 or 1)."""
        return observe.keep(self.tables[cluster], cast(Product, state), signal, lo, hi)

    def adopt(self, cluster: int, t_ns: int, seen: Mapping[str, float]) -> list[State]:
        return cast(list[State], observe.adopt(self.tables[cluster], t_ns, seen))

    def indicator(self, signal: str, states: States) -> tuple[tuple[float, float], ...]:
        return self._lamps.values(signal, cast(Sequence[Sequence[Product]], states))


def _with(product: Product, slot: int, value: Any) -> Product:  # noqa: ANN401 - a slot's value
    return (*product[:slot], value, *product[slot + 1 :])


def _others(views: list[Others]) -> Others:
    """Three-valued: all at preset, any free, any tripped among the other clusters."""
    bits_ok = [v[0] for v in views]
    ok = (YES if all(b & YES for b in bits_ok) else 0) | (NO if any(b & NO for b in bits_ok) else 0)
    return ok, _any([v[1] for v in views]), _any([v[2] for v in views])


def _any(bits: list[int]) -> int:
    return (YES if any(b & YES for b in bits) else 0) | (NO if all(b & NO for b in bits) else 0)


def _dues(t: ClusterTable, product: Product) -> list[causes.Due]:
    """Everything under way that needs no event."""
    found: list[causes.Due] = []
    for c, auto in enumerate(t.auto):
        if auto is not None and product[c][-1][1] > 0.0:
            timer = product[t.n * TIMER + c]
            if timer is not None:
                found.append(("timer", c, timer[0], timer[1]))
    for i, f in enumerate(t.hold_functions):
        hold = product[f.hold]
        if hold is not None and hold[0] in (WAIT, WILD):
            found.append(("hold", i, hold[1], hold[1]))
    for i, f in enumerate(t.counters):
        if f.counter_timer >= 0 and product[f.counter_timer] is not None:
            found.append(("counter", i, *product[f.counter_timer]))
    for i, entry in enumerate(product[t.pending]):
        found.append(("press", i, entry[0], entry[0]))
    return found


def _happen(run: Run, why: tuple[Any, ...]) -> None:
    kind, t_ns, name, value = why
    t = run.table
    if kind == ev.PRESS:
        control = t.controls[name]
        if control.shortest_ns:
            run.w[t.pending] = (*run.w[t.pending], (t_ns + control.shortest_ns, name, value))
            return
        press(run, control, value)
    elif kind == ev.RELEASE:
        _let_go(run, name, t_ns)
    else:
        _cause(run, kind, name, value)
    settle(run)


def _let_go(run: Run, name: str, t_ns: int) -> None:
    t = run.table
    control = t.controls[name]
    for entry in run.w[t.pending]:
        if entry[1] == name:
            run.w[t.pending] = tuple(e for e in run.w[t.pending] if e is not entry)
            if entry[0] - t_ns > control.scan_ns or not run.choose(2):
                return  # too short: it never happened
            press(run, control, entry[2])
            settle(run)
            break
    release(run, control)


def _cause(run: Run, kind: str, name: str, value: int) -> None:
    t = run.table
    if kind == ev.SENSOR:
        causes.sensor(run, name, value)
    elif kind == ev.SUPPLY:
        causes.supply(run, name, value)
    elif kind == ev.WAKE:
        causes.wake(run, name)
        run.dirty = 0  # no follow edges
    elif kind == ev.BY_HAND:
        causes.by_hand_moved(run, t.names.index(name), value)
    elif kind == ev.TRIP:
        if value:
            causes.trip(run, t.names.index(name))
    elif kind == ev.LOST:
        if name.startswith("sensor "):
            causes.sensor_lost(run, name.removeprefix("sensor "), value)
        else:
            causes.node_lost(run, name, value)
    elif kind == ev.SHED:
        causes.shed(run, name, value)
