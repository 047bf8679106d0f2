"""What the reference model says will happen, step by step, from a start with everything off."""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from copy import copy
from math import inf

from bench.core.errors import InternalError
from bench.core.event import LOST, PRESS, TRIP, WAKE, Event
from bench.core.model import State
from bench.core.plan import OVERLOAD, VOLTS
from bench.core.timeline import Course, Steady
from bench.oracle import Oracle
from bench.spec.model import Spec

from .silence import Silences, node_of

MS = 1_000_000
MOST_STATES = 256


class Sim:
    """The model's states of every cluster, moved along a plan. Instants in ms from the plan's start.

    Begins where `home` ends: every output off, sensors at rest, counted positions at the empty one.
    Dimmer memories are taken as 100 %, which decides nothing but the level that is planned to be seen;
    they are open unless `remembered`.
    """

    def __init__(self, model: Oracle, spec: Spec, *, remembered: bool = True) -> None:
        self._model = model
        self._spec = spec
        self.cluster_of = {c: k for k, names in enumerate(model.clusters) for c in names}
        self._place = {c: (k, i) for k, names in enumerate(model.clusters) for i, c in enumerate(names)}
        self._now_ms = 0.0
        self.silences = Silences(model, spec)
        self._changed_ms = [-inf for _ in model.clusters]
        self._lost_ms = [-inf for _ in model.clusters]  # when something was last lost that reaches it
        self._states: list[list[State]] = [[] for _ in model.clusters]
        self._courses: list[list[tuple[Course, ...]] | None] = [None for _ in model.clusters]
        self._levels: dict[str, tuple[float, float]] = {}
        self._moved: set[int] = set()  # clusters whose levels are to be looked at anew
        self._dues_ms: list[list[tuple[float, float]]] = [[] for _ in model.clusters]
        self._next_ns = inf
        self._beside: dict[str, list[str]] = {}
        self._lit: list[tuple[bool | None, ...] | None] = [None for _ in model.clusters]
        self._timeless: list[frozenset[Hashable] | None] = [None for _ in model.clusters]
        self._due_ns: list[float] = [inf for _ in model.clusters]  # when one of its states must move on
        self._ended_ns: list[float] = [-inf for _ in model.clusters]
        for k in range(len(model.clusters)):
            self._set(k, [model.rest(k) if remembered else model.all_off(k)])

    def copy(self) -> Sim:
        """The same boat at the same instant, to try something on."""
        other = copy(self)
        other._states, other._courses = list(self._states), list(self._courses)
        other._lit, other._timeless = list(self._lit), list(self._timeless)
        other._due_ns, other._ended_ns = list(self._due_ns), list(self._ended_ns)
        other._dues_ms, other._changed_ms = list(self._dues_ms), list(self._changed_ms)
        other._levels, other._moved = dict(self._levels), set(self._moved)
        other._lost_ms, other.silences = list(self._lost_ms), self.silences.copy()
        return other

    # -- asking

    @property
    def now_ms(self) -> float:
        """The instant reached."""
        return self._now_ms

    def level(self, circuit: str) -> tuple[float, float]:
        """Lowest and highest output possible now, in percent."""
        k, place = self._place[circuit]
        t_ns = self._ns(self._now_ms)
        courses = self._courses[k]
        if courses is None:
            courses = self._courses[k] = [self._model.courses(k, s) for s in self._states[k]]
        if len(courses) == 1:
            return courses[0][place].span(t_ns, t_ns)
        spans = [c[place].span(t_ns, t_ns) for c in courses]
        return min(lo for lo, _ in spans), max(hi for _, hi in spans)

    def on(self, circuit: str) -> bool | None:
        """Whether the output is on; None where the model cannot know."""
        lo, hi = self.level(circuit)
        return True if lo > 0 else False if hi <= 0 else None

    def circuits_of(self, cluster: int) -> tuple[str, ...]:
        """Its circuits, in order."""
        return self._model.clusters[cluster]

    def lit(self, cluster: int) -> tuple[bool | None, ...]:
        """`on` of each circuit of a cluster; the same object as long as nothing has happened to it."""
        found = self._lit[cluster]
        if found is None:
            found = self._lit[cluster] = tuple(self.on(c) for c in self._model.clusters[cluster])
        return found

    def spared(self, control: str, for_ms: float) -> list[str]:
        """Circuits that a key would leave on now, in clusters in which nothing has happened for so long."""
        still = [k for k, ms in enumerate(self._changed_ms) if ms <= self._now_ms - for_ms]
        still = [k for k in still if any(self.lit(k)) and not self.is_pending(k)]
        after = self.copy()
        after.apply(PRESS, control, 1)
        return [
            c
            for k in still
            for c, was, is_on in zip(self.circuits_of(k), self.lit(k), after.lit(k), strict=True)
            if was and is_on
        ]

    def levels(self) -> dict[str, tuple[float, float]]:
        """`level` of every circuit."""
        for k in sorted(self._moved):
            for circuit in self._model.clusters[k]:
                self._levels[circuit] = self.level(circuit)
            if all(isinstance(c, Steady) for courses in self._courses[k] or () for c in courses):
                self._moved.discard(k)
        return dict(self._levels)

    def states(self, cluster: int) -> tuple[State, ...]:
        """What a cluster may be in."""
        return tuple(self._states[cluster])

    def timeless(self, cluster: int) -> frozenset[Hashable]:
        """What a cluster may be in, without instants: equal where everything done later does the same."""
        found = self._timeless[cluster]
        if found is None:
            states = self._states[cluster]
            found = self._timeless[cluster] = frozenset(self._model.timeless(cluster, s) for s in states)
        return found

    def due_ms(self, clusters: Iterable[int]) -> list[tuple[float, float]]:
        """Earliest and latest instants of what will happen by itself in these clusters."""
        return [due for k in clusters for due in self._dues_ms[k]]

    def is_pending(self, cluster: int) -> bool:
        """Whether something may have happened by itself there that has not yet."""
        if self._due_ns[cluster] == inf:
            return False
        return any(lo <= self._now_ms for lo, _ in self.due_ms((cluster,)))

    def ended_ms(self, cluster: int) -> float:
        """The latest instant at which something that has happened by itself in this cluster may have."""
        return self._ended_ns[cluster] / MS

    def lost_ms(self, cluster: int) -> float:
        """When something was lost, or heard again, last that reaches this cluster."""
        return self._lost_ms[cluster]

    def may_show(self, circuit: str) -> tuple[float, float]:
        """As `level`, where what may have happened by itself by now may have happened."""
        k, place = self._place[circuit]
        t_ns = self._ns(self._now_ms)
        spans = [self._model.courses(k, s)[place].span(t_ns, t_ns) for s in self.possible(k)]
        return min(lo for lo, _ in spans), max(hi for _, hi in spans)

    def possible(self, k: int) -> list[State]:
        """What a cluster is in, and what of it may have come about by itself by now."""
        t_ns = self._ns(self._now_ms)
        waiting, found = list(self._states[k]), dict[State, None]()
        while waiting and len(found) < MOST_STATES:
            state = waiting.pop()
            found[state] = None
            due = self._model.next_due(k, state)
            if due is not None and due[0] <= t_ns:
                waiting += [s for s in self._model.fire(k, state) if s not in found]
        return list(found)

    def beside(self, subject: str) -> list[str]:
        """All circuits of the clusters that a key or a sensor reaches."""
        found = self._beside.get(subject)
        if found is None:
            found = self._beside[subject] = self._beside_of(subject)
        return found

    def _beside_of(self, subject: str) -> list[str]:
        control = self._spec.controls.get(subject)
        mine = self._spec.functions[control.function].circuits if control else ()
        clusters = {self.cluster_of[c] for c in mine}
        clusters |= {self.cluster_of[f.circuit] for f in self._spec.forces if f.sensor == subject}
        return [c for c, k in self.cluster_of.items() if k in clusters]

    def node_of(self, subject: str) -> str:
        """Who sends what tells of a key or a sensor."""
        return node_of(self._spec, subject)

    def is_told(self, cluster: int) -> bool:
        """Whether all states that it may be in show the same circuits on."""
        t_ns = self._ns(self._now_ms)
        every = [self._model.courses(cluster, s) for s in self._states[cluster]]
        return (
            len({tuple((lo > 0, hi > 0) for lo, hi in (c.span(t_ns, t_ns) for c in one)) for one in every})
            < 2
        )

    def awaited(self, clusters: Iterable[int]) -> list[str]:
        """Circuits whose timer runs, and functions whose position is forgotten after a time."""
        found = (n for k in clusters for s in self._states[k] for n in self._model.awaited(k, s))
        return list(dict.fromkeys(found))

    def position(self, function: str) -> int | None:
        """Where a counted function stands, from 1; None where that is not known."""
        k = self.cluster_of[self._spec.functions[function].circuits[0]]
        spans = [self._model.hidden(k, s)[f"position {function}"] for s in self._states[k]]
        lo, hi = min(s[0] for s in spans), max(s[1] for s in spans)
        return round(lo) if lo == hi else None

    def not_at_rest(self) -> list[int]:
        """Clusters of which more is left than what dimmers remember."""
        return [k for k, states in enumerate(self._states) if self._model.calmed(k, states) is None]

    # -- moving

    def calm(self) -> None:
        """Forget how each cluster that is at rest came there."""
        for k, states in enumerate(self._states):
            if (state := self._model.calmed(k, states)) is not None:
                self._set(k, [state])

    def advance(self, t_ms: float) -> None:
        """Let time pass up to `t_ms`; what may or may not have happened by then has not yet."""
        while (loss := self.silences.pop(t_ms)) is not None:
            self._advance(loss.at_ms)
            self.apply(LOST, loss.name, 1)
            self._note_loss(loss.clusters)
        self._advance(t_ms)

    def _advance(self, t_ms: float) -> None:
        self._now_ms = max(self._now_ms, t_ms)
        t_ns = self._ns(self._now_ms)
        if t_ns < self._next_ns:
            return
        for k, due_ns in enumerate(self._due_ns):
            if due_ns <= t_ns:
                self._set(k, self._fire(k, t_ns))
                self._changed_ms[k] = self.ended_ms(k)

    def enact(self, kind: str, name: str, value: int) -> None:
        """One step of a plan now. A wait of value 1 is the box `name` waking up by itself; a wake
        without a name reaches every box that wakes by message."""
        if kind == WAKE and not name:
            for box in self._spec.boxes.values():
                if box.wake.by == "message":
                    self.apply(WAKE, box.name, 1)
        elif kind == "silent" and value:
            self.silences.begin(name, self._now_ms)
        elif kind == "silent":
            for lost in self.silences.end(name):
                self.apply(LOST, lost, 0)
            self._note_loss(self.silences.reached(name))
        elif kind == OVERLOAD:
            self.apply(TRIP, name, value)
        elif kind not in ("wait", VOLTS):
            self.apply(kind, name, value)
        elif kind == "wait" and value == 1:
            self.apply(WAKE, name, 1)

    def apply(self, kind: str, name: str, value: int) -> None:
        """One event now."""
        event = Event(self._ns(self._now_ms), kind, name, value)
        for k, cause in self._model.route(event, self._states):
            stepped = [after for s in self._states[k] for after in self._model.step(k, s, cause)]
            self._set(k, self._distinct(k, stepped))

    # -- parts

    def _note_loss(self, clusters: Iterable[int]) -> None:
        for k in clusters:
            self._lost_ms[k] = self._now_ms

    def _set(self, k: int, states: list[State]) -> None:
        self._states[k] = states
        self._courses[k] = self._lit[k] = self._timeless[k] = None
        self._moved.add(k)
        self._changed_ms[k] = self._now_ms
        dues = [due for s in states if (due := self._model.next_due(k, s)) is not None]
        self._dues_ms[k] = [(lo / MS, hi / MS) for lo, hi in dues]
        self._due_ns[k] = min((hi for _, hi in dues), default=inf)
        self._next_ns = min(self._due_ns)

    @staticmethod
    def _ns(t_ms: float) -> int:
        return round(t_ms * MS)

    def _fire(self, k: int, t_ns: int) -> list[State]:
        waiting = list(self._states[k])
        settled: list[State] = []
        for _ in range(1000):
            if not waiting:
                return self._distinct(k, settled)
            state = waiting.pop()
            due = self._model.next_due(k, state)
            if due is None or due[1] > t_ns:
                settled.append(state)
            else:
                self._ended_ns[k] = max(self._ended_ns[k], due[1])
                waiting += self._model.fire(k, state)
        raise InternalError(f"cluster {k} does not come to rest at {t_ns} ns")

    def _distinct(self, k: int, states: Iterable[State]) -> list[State]:
        out = list(dict.fromkeys(states))
        if not 0 < len(out) <= MOST_STATES:
            raise InternalError(f"{len(out)} possible states of cluster {k} while planning")
        return out
