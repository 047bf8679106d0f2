"""The whole boat's judge: events and observations in, deviations out, in one pass without look-ahead."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

from bench.core.event import LOST, SENSOR, SUPPLY, WAKE, Event
from bench.core.model import Model, State
from bench.loads import Load

from .calm import Calm
from .cluster import ClusterJudge
from .current import CurrentJudge
from .found import Found
from .indicators import Indicators
from .recent import Recent
from .rules import SignalRule
from .sensors import Sensors
from .sleep import Sleep
from .trace import FOREVER, Switch
from .work import Work

JUDGE_VERSION = "1"
WAITED = "waits for presses to last, and was given stimuli closer than it tells apart"
OUTPUT_KINDS = frozenset({"state", "level"})


class Judge:
    """Told of events, observations and the passing of time, in order; reports what it finds.

    `rules`: every observable signal. `loads`: circuit -> what hangs on it (absent: not judged);
    `settle_ns`: circuit -> time to a steady current. `boxes`: all of the boat. `unclear(cluster, box,
    why)`: a cluster is not followed for the sake of that box. `resolves_ns`: circuit -> stimuli closer
    than this have no defined order (absent: they always have); `waits_ns`: circuit -> how long its box
    waits for a press to last. `messages_of`: signal -> the messages that show it.
    """

    def __init__(
        self,
        model: Model,
        rules: Mapping[str, SignalRule],
        loads: Mapping[str, Load],
        settle_ns: Mapping[str, int],
        report: Callable[[Found], None],
        boxes: Sequence[str] = (),
        unclear: Callable[[int, str, str], None] = lambda cluster, box, why: None,
        resolves_ns: Mapping[str, int] | None = None,
        waits_ns: Mapping[str, int] | None = None,
        messages_of: Mapping[str, Sequence[str]] | None = None,
    ) -> None:
        self.model = model
        self.sleep = Sleep(model, boxes)
        self._tell_unclear = unclear
        self.calm = Calm(messages_of or {})
        self.cluster_of = {c: i for i, cs in enumerate(model.clusters) for c in cs}
        outputs: list[dict[str, SignalRule]] = [{} for _ in model.clusters]
        for name, rule in rules.items():
            if rule.kind in OUTPUT_KINDS and rule.subject in self.cluster_of:
                outputs[self.cluster_of[rule.subject]][name] = rule
        hearing_ns = max((r.cycle_ns for r in rules.values() if r.kind == "fault"), default=0)
        resolves, waits = resolves_ns or {}, waits_ns or {}
        self.clusters = [
            ClusterJudge(
                model, i, rs, report, self.calm, hearing_ns,
                max((resolves.get(c, 0) for c in model.clusters[i]), default=0),
                max((waits.get(c, 0) for c in model.clusters[i]), default=0),
            )
            for i, rs in enumerate(outputs)
        ]  # fmt: skip
        self._recent = Recent(model, self.clusters)
        self._work = Work(model, self.clusters)
        self._cluster_by_signal = {s: self.clusters[i] for i, rs in enumerate(outputs) for s in rs}
        self.indicators = Indicators(model, self.clusters, rules, report, self.calm)
        self.currents = {
            name: CurrentJudge(
                rule,
                loads[rule.subject],
                settle_ns[rule.subject],
                self.clusters[self.cluster_of[rule.subject]],
                report,
            )
            for name, rule in rules.items()
            if rule.kind == "current" and rule.subject in loads
        }
        self.ruled: frozenset[int] = frozenset()  # clusters with a rule or a timer
        self.wake_ns = FOREVER
        self._now = -FOREVER
        self._dark: frozenset[str] = frozenset()
        self._sensors = Sensors(self.clusters)
        self.started = False

    # ---- beginnings and causes
    def start(self, t_ns: int) -> None:
        """From here on everything is judged; before, nothing is known."""
        self.started = True
        for cluster in self.clusters:
            cluster.start(t_ns)
        self.indicators.refresh(t_ns, None, 0)
        self._plan_wake()

    def event(self, event: Event, earliest_ns: int, number: int, *, maybe: bool = False) -> tuple[int, ...]:
        """An event at an instant in [earliest_ns, event.t_ns]; `number` names it. Returns the
        clusters it reached. `maybe`: it may not have happened."""
        self.advance(event.t_ns)
        if event.kind in (SUPPLY, WAKE):
            for cluster in self.clusters:
                if cluster.lost_until is not None and not cluster.mute and not cluster.asleep:
                    cluster.restart(event.t_ns)
        elif event.kind == SENSOR:
            if maybe:
                self._sensors.unsure(event.name)
            else:
                self._sensors.said(event.name, event.value)
        elif event.kind == LOST and event.name.startswith("sensor "):
            name = event.name.removeprefix("sensor ")
            (self._sensors.unsure if event.value else self._sensors.heard)(name)
        routed = self._recent.route(event)
        switch = Switch(earliest_ns, event.t_ns)
        clear = event.kind == SUPPLY or not self.sleep
        for index, cause in routed:
            if clear or not self._give_up(index, event.t_ns, stimulus=event.kind != WAKE):
                cluster = self.clusters[index]
                near_ns = self._near_ns(event, cluster)
                if cluster.forks.cannot_follow(event.name, event.t_ns, near_ns):
                    self._lose_order(cluster, event.t_ns)
                cluster.apply(cause, switch, number, event.name, near_ns=near_ns, maybe=maybe)
        if event.kind == WAKE:
            self._recent.forget()
        else:
            self._recent.took(event, number, routed)
        self.indicators.refresh(event.t_ns, switch, number)
        if self._dark:
            self._excuse()
        self._plan_wake()
        return tuple(dict.fromkeys(i for i, _ in routed))

    def _lose_order(self, cluster: ClusterJudge, t_ns: int) -> None:
        if cluster.known():
            self._tell_unclear(cluster.number, "", WAITED)
        self.lose((cluster.number,), t_ns)

    @staticmethod
    def _near_ns(event: Event, cluster: ClusterJudge) -> int:
        if event.kind == WAKE:
            return 0
        return cluster.forks.time_ns if event.kind == LOST else cluster.forks.order_ns

    def doubt_event(self, number: int, clusters: Iterable[int], t_ns: int) -> None:
        """A recent event may not have happened at all."""
        for i in clusters:
            self.clusters[i].rethink(number, [], t_ns, optional=True)
        self.indicators.refresh(t_ns, Switch(t_ns, t_ns), number)
        self._plan_wake()

    def _give_up(self, index: int, t_ns: int, *, stimulus: bool = False) -> bool:
        """Stop following a cluster where a box that it needs is dark or waking, until that is awake."""
        found = self.sleep.unclear(index, t_ns, stimulus=stimulus)
        if found is None:
            return False
        cluster = self.clusters[index]
        if cluster.known():
            self._tell_unclear(index, *found)
        self.lose((index,), t_ns)
        return True

    def fell_asleep(self, box: str, why: str, t_ns: int) -> None:
        """A box is without supply or was told to wake; see `Sleep`."""
        for i in self.sleep.fell(box, why, t_ns):
            self.clusters[i].asleep.add(box)

    def woke(self, box: str) -> None:
        """A box is awake; its wake-up is told next."""
        self.sleep.woke(box)
        self.indicators.unsure.pop(box, None)
        for cluster in self.clusters:
            cluster.mute.discard(box)
            cluster.asleep.discard(box)

    def hold(self, control: str, clusters: Iterable[int]) -> None:
        """A key that reaches these clusters went down: nothing of them is adopted while it is down."""
        for i in clusters:
            self.clusters[i].held.add(control)
            self.clusters[i].maybe_held.pop(control, None)

    def perhaps_held(self, control: str, circuit: str) -> None:
        """A momentary key of this circuit may be down since before the recording began."""
        self.clusters[self.cluster_of[circuit]].maybe_held[control] = circuit

    def let_go(self, control: str, t_ns: int) -> None:
        """The key went up; that need reach none of the clusters that its press reached."""
        for cluster in self.clusters:
            cluster.held.discard(control)
            cluster.maybe_held.pop(control, None)
        self._plan_from(t_ns)

    def mute(self, box: str, clusters: Iterable[int], t_ns: int, *, muted: bool) -> None:
        """A box of these clusters fell silent or was heard again: they are not followed meanwhile."""
        for i in clusters:
            (self.clusters[i].mute.add if muted else self.clusters[i].mute.discard)(box)
        self._plan_from(t_ns)

    def lose(self, clusters: Iterable[int], t_ns: int) -> None:
        """The bench cannot follow these clusters for now; their state is adopted anew."""
        for i in clusters:
            self.clusters[i].lose(t_ns)
        self.indicators.refresh(t_ns, None, 0)
        self._plan_from(t_ns)

    def let_work(self, clusters: Iterable[int], t_ns: int) -> dict[int, State | None]:
        """A person works at the box: nothing of these clusters is judged or adopted until `worked`. Their
        states before, as far as they were known."""
        before = self._work.begin(clusters)
        self.lose(before, t_ns)
        return before

    def bypass(self, circuits: Iterable[str], bypassed: bool) -> None:
        """Whether the currents of these circuits may go past the box's sensors; they are not judged then."""
        for circuit in circuits:
            cluster = self.clusters[self.cluster_of[circuit]]
            (cluster.bypassed.add if bypassed else cluster.bypassed.discard)(circuit)

    def worked(self, before: Mapping[int, State | None], event: Event | None, number: int) -> tuple[int, ...]:
        """The person is done: `event` has happened to the states `before`, and the boxes have had time to
        report it. None: what happened is not known, only that `number` was said (0: nothing was). Returns
        the clusters that it reached."""
        t_ns = self._now if event is None else event.t_ns
        reached = self._work.end(before, event, number, t_ns)
        self.indicators.refresh(t_ns, None, number)
        self._plan_wake()
        return reached

    def forget_sensor(self, name: str, t_ns: int) -> None:
        """A sensor may have changed unseen: what it reaches is taken up anew, without it."""
        reached: set[int] = set()
        for value in (0, 1):
            reached.update(i for i, _ in self.model.route(Event(t_ns, SENSOR, name, value), ()))
        self._sensors.forget(name)
        self.lose(sorted(reached), t_ns)

    def begin_anew(self, t_ns: int) -> None:
        """Anything may have happened unseen: everything is taken up anew, held keys included."""
        for cluster in self.clusters:
            cluster.held.clear()
        self.lose(range(len(self.clusters)), t_ns)

    def ignore(self, signal: str) -> None:
        """The box says that it has no value for a signal, or it cannot be read."""
        owner = self._cluster_by_signal.get(signal)
        if owner is not None:
            owner.ignore(signal)
        indicator = self.indicators.by_signal.get(signal)
        if indicator is not None:
            indicator.watch.owed = []
            indicator.muted = True
        self._plan_wake()

    def heed(self, rule: SignalRule, t_ns: int) -> None:
        """A signal that was not to be had is reported again; what it shows is taken up anew."""
        owner = self._cluster_by_signal.get(rule.signal)
        if owner is not None:
            owner.heed(rule)
            self.lose((owner.number,), t_ns)
        indicator = self.indicators.by_signal.get(rule.signal)
        if indicator is not None:
            indicator.muted = False
            self.lose(indicator.clusters, t_ns)

    def blinded(self, since_ns: int, t_ns: int) -> list[str]:
        """The bench was blind from `since_ns` to `t_ns`: whatever was changing is taken up anew.
        Returns the circuits whose judging it cost."""
        cost: list[str] = []
        for cluster in self.clusters:
            version = cluster.version
            if cluster.blinded(since_ns, t_ns):
                cost += cluster.circuits
            if cluster.version != version:
                self.indicators.refresh_one(cluster.number, t_ns, None, 0)
        self._plan_from(t_ns)
        return cost

    # ---- time
    def advance(self, t_ns: int) -> None:
        """Time has passed to `t_ns`: everything that arrived before has been told. Each change that
        time brings about is taken at its own instant, in order."""
        if not self.started:
            return
        if self.sleep:
            for cluster in self.clusters:
                split = cluster.lost_until is None and cluster.number in self.ruled
                if cluster.under_way(t_ns) or (split and self.sleep.is_split(cluster.number, t_ns)):
                    self._give_up(cluster.number, t_ns)
        while self.wake_ns <= t_ns:
            now = max(self.wake_ns, self._now)
            for cluster in self.clusters:
                if cluster.next_wake() <= now:
                    cluster.advance(now)
                    if self.indicators.is_behind(cluster):
                        self.indicators.refresh_one(cluster.number, now, cluster.fired, cluster.cause)
                    cluster.fired = None
            self.indicators.advance(now)
            self._now = now
            if self._dark:
                self._excuse()
            self._plan_wake()
        self._now = max(self._now, t_ns)

    def _plan_from(self, t_ns: int) -> None:
        """What may be due at once is taken at `t_ns`, whenever time is told of next."""
        self._now = max(self._now, t_ns)
        self._plan_wake()

    def _plan_wake(self) -> None:
        wake = min((c.next_wake() for c in self.clusters), default=FOREVER)
        self.wake_ns = min(wake, self.indicators.next_wake())

    def grant(self, more_ns: int) -> None:
        """A box has just woken: what is owed may wait `more_ns` and then for a cyclic frame."""
        for cluster in self.clusters:
            cluster.grant(more_ns)
        self.indicators.grant(more_ns)
        self._plan_wake()

    def unsure(self, box: str, clusters: Iterable[int], t_ns: int) -> None:
        """A box is dark or was told to wake: until it is awake, lamps of other boxes may show its
        circuits either way. How far a held dimmer of a waking one still went is not known."""
        own = self.indicators.unsure[box] = frozenset(clusters)
        if self.sleep.is_waking(box):
            self.lose([i for i in own if self.clusters[i].held], t_ns)
        for i in own:
            self.indicators.refresh_one(i, t_ns, Switch(t_ns, t_ns), 0)

    def darken(self, subjects: Iterable[str]) -> None:
        """The box of these circuits, controls and panels went dark: nothing of them need be shown."""
        self._dark |= frozenset(subjects)
        self._excuse()

    def brighten(self, subjects: Iterable[str]) -> None:
        """The box is awake again: what is owed from now on must be shown."""
        self._dark -= frozenset(subjects)

    def _excuse(self) -> None:
        for cluster in self.clusters:
            cluster.excuse(self._dark)
        self.indicators.excuse(self._dark)
        self._plan_wake()

    # ---- observations
    def sample(self, t_ns: int, signal: str, value: float) -> None:
        """One observed value, after `advance` to its stamp."""
        if self.calm.get(signal) == value:
            return
        current = self.currents.get(signal)
        if current is not None:
            current.sample(t_ns, value)
            return
        owner = self._cluster_by_signal.get(signal)
        if owner is not None:
            version = owner.version
            owner.sample(t_ns, signal, value)
            if owner.version != version:
                self.indicators.refresh_one(owner.number, t_ns, None, owner.cause)
                self._plan_from(t_ns)
            return
        indicator = self.indicators.by_signal.get(signal)
        if indicator is not None:
            settled = indicator.sample(t_ns, value)
            if indicator.rule.kind == "fault":
                self._learn(t_ns, signal, value, settled)
        elif signal.startswith("supply_v:"):
            for one in self.currents.values():
                one.supply(value)

    def _learn(self, t_ns: int, signal: str, value: float, settled: bool | None) -> None:
        cluster = self.clusters[self.cluster_of[signal.partition(":")[2]]]
        cluster.seen[signal] = value
        if settled is None:
            return
        version = cluster.version
        cluster.learn(t_ns, signal, value)
        if cluster.version != version:
            self.indicators.refresh_one(cluster.number, t_ns, None, cluster.cause)
            self._plan_from(t_ns)
        elif settled and cluster.learned.get(signal) == (version, value):
            self.calm[signal] = value

    def follows(self, signal: str) -> bool:
        """Whether a signal is judged by what is expected of it, currents aside."""
        return signal in self._cluster_by_signal or signal in self.indicators.by_signal

    # ---- currents
    def forget_currents(self) -> None:
        """What currents have shown so far does not count."""
        for current in self.currents.values():
            current.forget()

    def finish(self) -> None:
        """No more will come."""
        for current in self.currents.values():
            current.finish()
