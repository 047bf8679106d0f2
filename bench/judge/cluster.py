"""Judging one cluster: a small set of possible worlds, thinned by what is seen."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from bench.core.model import Cause, Model, State
from bench.core.timeline import Course

from .calm import Calm
from .deviations import Deviations
from .forks import Forks
from .found import Found
from .learning import Learning, merged
from .order import Happened, TooManyOrders
from .rules import SignalRule
from .trace import FOREVER, Output, Segment, Switch
from .world import World

MOST_WORLDS = 64


class ClusterJudge:
    """Tracks one cluster from `unknown` on.

    `lost_until`: after a deviation nothing is judged until the outputs have had time to settle
    and no key of the cluster is held; then the observed state is adopted.
    """

    def __init__(
        self,
        model: Model,
        number: int,
        rules: Mapping[str, SignalRule],
        report: Callable[[Found], None],
        calm: Calm,
        hearing_ns: int = 0,
        resolves_ns: int = 0,
        waits_ns: int = 0,
    ) -> None:
        self.model = model
        self._calm = calm  # signal -> value that needs no second look; shared by the whole judge
        self.hearing_ns = hearing_ns  # cycle of fault flags, which tell of locks
        self.number = number
        self.circuits = model.clusters[number]
        place = {c: i for i, c in enumerate(self.circuits)}
        self.rules = {s: (place[r.subject], r) for s, r in rules.items()}
        self.window_ns = max((r.window_ns for r in rules.values()), default=0)
        jitter_ns = max((r.jitter_ns for r in rules.values()), default=0)
        respond_ns = max((r.respond_ns for r in rules.values()), default=0)
        order_ns = resolves_ns + waits_ns + jitter_ns if resolves_ns else 0
        near_ns = respond_ns + jitter_ns
        self.forks = Forks(model, number, order_ns, near_ns, waits=waits_ns > 0)
        self._learning = Learning(model, number, near_ns)
        self._deviations = Deviations(model, number, self.rules, report, near_ns)
        self.worlds: list[World] = []
        self.seen: dict[str, float] = {}
        self.seen_at: dict[str, int] = {}
        self.caused_ns = -FOREVER  # latest instant of the latest cause: what is seen may be older
        self.steady_from: dict[str, int] = {}  # since when a signal has shown its present value
        self.learned: dict[str, tuple[int, float]] = {}
        self.held: set[str] = set()
        self.maybe_held: dict[str, str] = {}  # momentary keys not heard of yet -> the circuit they hold on
        self.mute: set[str] = set()  # boxes of this cluster that are silent
        self.bypassed: set[str] = set()  # circuits whose current may not pass the box's sensor
        self.asleep: set[str] = set()  # boxes it needs that are dark or just waking
        self.lost_until: int | None = None
        self.version = 0
        self.cause = 0
        self.too_short = 0
        self.overflow_ns: int | None = None
        self.fired: Switch | None = None  # the change that time brought about last

    # ---- beginnings
    def start(self, t_ns: int) -> None:
        """Watch until every cyclic report has come once, then take up what was seen."""
        cycle = max((r.cycle_ns for _, r in self.rules.values()), default=0)
        self.lost_until = t_ns + self.window_ns + cycle + self.hearing_ns
        self._changed()

    def restart(self, t_ns: int) -> None:
        """Everything is possible at `t_ns`; used where a cause is about to make much of it known."""
        self.maybe_held.clear()
        self._enter(self.model.unknown(self.number, t_ns), t_ns)

    def _enter(self, states: list[State], t_ns: int) -> None:
        self.lost_until = None
        self.forks.forget()
        self._deviations.forget()
        self.worlds = [
            World.fresh(s, self.model.courses(self.number, s), self.rules, t_ns, self.cause) for s in states
        ]
        self._changed()

    def lose(self, t_ns: int) -> None:
        """Track lost at `t_ns`: adopt what is seen once everything has settled."""
        until = t_ns + self.window_ns
        if self.lost_until is None or until > self.lost_until:
            self.lost_until = until
        self.worlds = []
        self.forks.forget()
        self._changed()

    def _adopt(self, t_ns: int) -> None:
        if any(self.seen.get(f"{k}:{c}") for c in self.maybe_held.values() for k in ("state", "level")):
            self.lost_until = t_ns + self.window_ns  # a key that is down since before may hold it on
            return
        self.maybe_held.clear()
        states = self.model.adopt(self.number, t_ns, self.seen)
        if not states:
            states = self.model.unknown(self.number, t_ns)
        self._enter(states, t_ns)

    def single_state(self) -> State | None:
        """The one state there is when all of it is known and shown; else None."""
        if self.lost_until is not None or len(self.worlds) != 1 or not self.known():
            return None
        return self.worlds[0].state if self.nothing_owed() else None

    def blame(self, number: int, t_ns: int) -> None:
        """What deviates from here on came after cause `number` (0: after none that is known)."""
        if number:
            self.cause, self.caused_ns = number, t_ns

    def resume(self, states: list[State], number: int, t_ns: int) -> None:
        """The state is known again, by cause `number`, and all of it should be shown by now."""
        self.cause, self.caused_ns = number, t_ns
        self._enter(states, t_ns)

    def ignore(self, signal: str) -> None:
        """The box has no value for this signal: it is not waited for any more."""
        self.rules.pop(signal, None)
        self.seen.pop(signal, None)
        for world in self.worlds:
            world.watches.pop(signal, None)

    def heed(self, rule: SignalRule) -> None:
        """The box has a value for this signal again; a world that died without it says nothing of it."""
        self._deviations.forget_world()
        self.rules[rule.signal] = self.circuits.index(rule.subject), rule

    def blinded(self, since_ns: int, t_ns: int) -> bool:
        """The bench was blind since `since_ns`: what was under way then is taken up anew. True when
        something was."""
        single = len(self.worlds) == 1 and self.lost_until is None
        if single and self.worlds[0].at_rest(since_ns - self.window_ns):
            return False
        self.lose(t_ns)
        return True

    def _changed(self) -> None:
        self.version += 1
        for signal in (*self.rules, *self.learned):
            self._calm.stir(signal)

    # ---- causes
    def apply(
        self,
        cause: Cause,
        switch: Switch,
        number: int,
        who: str = "",
        *,
        near_ns: int = 0,
        maybe: bool = False,
    ) -> None:
        """A cause reaches the cluster at `switch`; `number` names it in reports. What comes closer than
        `near_ns`, but from the same source `who`, may have come before it. `maybe`: it may be none."""
        self.cause, self.caused_ns = number, switch.hi
        self._deviations.forget_world()
        if self.lost_until is not None:
            self.lost_until = max(self.lost_until, switch.hi + self.window_ns)
            return
        event = Happened(number, who, [cause], switch, near_ns, maybe)
        try:
            self._settle_on(self.forks.take(self.worlds, event), switch.hi)
        except TooManyOrders:
            self._overflow(switch.hi)

    def rethink(self, number: int, causes: list[Cause], t_ns: int, *, optional: bool = False) -> bool:
        """A recent stimulus may have meant something else, or not have happened at all. True when that
        makes more possible."""
        if self.lost_until is not None:
            return False
        try:
            worlds = self.forks.rethink(self.worlds, number, causes, optional=optional)
        except TooManyOrders:
            self._overflow(t_ns)
            return True
        if worlds is not None:
            self._settle_on(worlds, t_ns)
        return worlds is not None

    def _overflow(self, t_ns: int) -> None:
        self.overflow_ns = t_ns
        self._enter(self.model.unknown(self.number, t_ns), t_ns)

    def _settle_on(self, worlds: list[World], t_ns: int) -> None:
        if len(worlds) > MOST_WORLDS:
            self._overflow(t_ns)
            return
        self.worlds = worlds
        self._changed()

    # ---- time
    def next_wake(self) -> int:
        """When `advance` has something to do."""
        if self.lost_until is not None:
            return FOREVER if self.held or self.mute or self.asleep else self.lost_until
        wake = FOREVER
        for world in self.worlds:
            due = self.model.next_due(self.number, world.state)
            if due and due[0] < wake:
                wake = due[0]
            for _, watch in world.watches.values():
                if watch.owed:
                    wake = min(wake, watch.next_deadline() + 1)
        return wake

    def under_way(self, t_ns: int) -> bool:
        """Whether a timer or ramp of one of the worlds ends or may end by `t_ns`."""
        dues = (self.model.next_due(self.number, w.state) for w in self.worlds)
        return any(d is not None and d[0] <= t_ns for d in dues) or any(
            self.forks.still_near(w.before, t_ns) for w in self.worlds
        )

    def advance(self, t_ns: int) -> None:
        """Let time pass to `t_ns`: timers end, ramps begin, unshown changes become overdue."""
        if self.lost_until is not None:
            if self.next_wake() <= t_ns:
                self._adopt(t_ns)
            return
        while self._fire_first(t_ns):
            pass
        self._collect_overdue(t_ns)
        for world in self.worlds:
            for trace in world.traces:
                if len(trace.segments) > 1:
                    trace.forget_before(t_ns - 2 * self.window_ns)

    def _fire_first(self, t_ns: int) -> bool:
        for world in self.worlds:
            due = self.model.next_due(self.number, world.state)
            if due and due[0] <= t_ns:
                rest = [w for w in self.worlds if w is not world]
                spread = self.forks.fire(world, due, self.cause)
                self.fired = spread[0][1]
                self._settle_on(rest + [w for w, _ in spread], t_ns)
                return True
        return False

    def _collect_overdue(self, t_ns: int) -> None:
        dead: list[tuple[World, str, Segment[Output]]] = []
        several = len(self.worlds) > 1
        for world in self.worlds:
            for signal, (_, watch) in world.watches.items():
                late = watch.overdue(t_ns) if watch.owed else None
                if late is None or (several and self._unseen(signal, late)):
                    continue  # what did not arrive cannot choose between possibilities
                dead.append((world, signal, late))
                break
        if not dead:
            return
        gone = [w for w, _, _ in dead]
        left = [w for w in self.worlds if w not in gone]
        if left:
            self._settle_on(left, t_ns)
            return
        world, signal, segment = dead[0]
        also = [(s, late) for s, (_, w) in world.watches.items() if (late := w.overdue(t_ns)) is not None]
        named: set[str] = set()
        for name, late in ((signal, segment), *also):
            if self.rules[name][1].subject not in named:
                named.add(self.rules[name][1].subject)
                self.lose(t_ns)
                seen, unseen = self.seen.get(name), self._unseen(name, late)
                self._deviations.overdue(name, late, t_ns, seen, unseen=unseen)

    def _unseen(self, signal: str, segment: Segment[Output]) -> bool:
        """Whether nothing of the signal has arrived since the segment began."""
        last_at = self.seen_at.get(signal)
        return last_at is None or last_at < segment.switch.lo

    def excuse(self, dark: frozenset[str]) -> None:
        """A box went dark: its circuits' changes need not be shown."""
        for world in self.worlds:
            for place, watch in world.watches.values():
                if self.circuits[place] in dark:
                    watch.owed = []

    def grant(self, more_ns: int) -> None:
        """A box has just woken: it reports in its cycles, not on change."""
        for world in self.worlds:
            for _, watch in world.watches.values():
                watch.grant(more_ns)

    # ---- observations
    def sample(self, t_ns: int, signal: str, value: float) -> None:
        """One reported value of one of the cluster's signals."""
        if signal not in self.rules:
            return
        if self.seen.get(signal) != value:
            self.steady_from[signal] = t_ns
        self.seen[signal] = value
        self.seen_at[signal] = t_ns
        if self.forks.chain is not None:
            self.forks.hear(t_ns, signal, value)
        worlds = self.worlds
        if self.lost_until is not None or not worlds:
            self._deviations.while_lost(t_ns, signal, value, self.cause)
            return
        caused_ns, steady_ns = self.caused_ns, self.steady_from[signal]
        if len(worlds) == 1:
            place, watch = worlds[0].watches[signal]
            settled = watch.explain(worlds[0].traces[place], t_ns, value)
            if settled is None:
                self._unexplained(signal, t_ns, value)
                return
            if self._learning.told(worlds[0], place, watch, t_ns, value, caused_ns, steady_ns):
                self._changed()
            if settled and self._has_learned(signal, t_ns):
                self._calm[signal] = value
            return
        version = self.version
        alive, settled = [], True
        for world in worlds:
            place, watch = world.watches[signal]
            explained = watch.explain(world.traces[place], t_ns, value)
            if explained is None:
                continue
            narrower = self._learning.told(world, place, watch, t_ns, value, caused_ns, steady_ns)
            if narrower is None:
                continue
            if narrower:
                self._changed()
            alive.append(world)
            settled = settled and explained
        if not alive:
            self._unexplained(signal, t_ns, value)
            return
        alive = merged(alive, t_ns - self.window_ns)
        if len(alive) < len(worlds):
            self._settle_on(alive, t_ns)
        elif settled and self.version == version and self._has_learned(signal, t_ns):
            self._calm[signal] = value

    def _has_learned(self, signal: str, t_ns: int) -> bool:
        """Whether the same value will tell no more of which world it is until something changes."""
        since_ns = t_ns - self.window_ns
        if max(self.caused_ns, self.steady_from[signal]) >= since_ns:
            return False
        return all(w.before is None and w.at_rest(since_ns) for w in self.worlds)

    def _unexplained(self, signal: str, t_ns: int, value: float) -> None:
        worlds = self.worlds
        self.lose(t_ns)
        self._deviations.unexplained(worlds, signal, t_ns, value, self.cause)

    def learn(self, t_ns: int, signal: str, value: float) -> None:
        """A fault flag or sensor report that an indicator's judge has accepted narrows the worlds."""
        if self.lost_until is not None or self.learned.get(signal) == (self.version, value):
            return
        since_ns = t_ns - self.window_ns
        if self.caused_ns >= since_ns or not all(w.at_rest(since_ns) for w in self.worlds):
            return
        alive = []
        for world in self.worlds:
            narrower = self._learning.keep(world, signal, value, value)
            if narrower:
                self._changed()
            if narrower is not None:
                alive.append(world)
        if alive:
            alive = merged(alive, since_ns)
            if len(alive) < len(self.worlds):
                self._settle_on(alive, t_ns)
        self.learned[signal] = self.version, value

    # ---- what is believed
    def known(self) -> bool:
        """Whether every world that is left has the same outputs, and these are known."""
        worlds = self.worlds
        if not worlds or not worlds[0].exact():
            return False
        return all(w.agrees(worlds[0]) for w in worlds[1:])

    def settled_course(self, circuit: str) -> tuple[Course, int, int] | None:
        """Course of a circuit's open segment, since when at the latest, and its number; None while
        more than one is possible."""
        worlds = self.worlds
        if not worlds or any(not w.agrees(worlds[0]) for w in worlds[1:]):
            return None
        place = self.circuits.index(circuit)
        last = worlds[0].traces[place].last
        since = max(w.traces[place].steady_since() for w in worlds)
        return last.value.course, since, last.number

    def nothing_owed(self) -> bool:
        """Whether every change so far has been shown."""
        return all(not w.owed for world in self.worlds for _, w in world.watches.values())
