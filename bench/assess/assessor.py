"""The assessor: eats the one ordered stream and keeps a judge, a bus watch and a record of both."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping

from bench.core import event as ev
from bench.core.entry import (
    Alive,
    Confirmed,
    Dropped,
    Ended,
    Entry,
    HostLate,
    LinkLost,
    Refused,
    Started,
    StepMark,
    SupplySwitched,
)
from bench.core.event import Event
from bench.core.frame import TX, Frame
from bench.core.model import Model
from bench.core.signal import Observation
from bench.core.verdict import FAIL, INCONCLUSIVE, PASS, Deviation, Doubt, Verdict
from bench.definitions import Definitions, Reading
from bench.judge import JUDGE_VERSION, Judge
from bench.judge.found import Found
from bench.judge.rules import MS
from bench.spec.model import Spec
from bench.spec.profile import BenchProfile

from .boots import Boots
from .coverage import Coverage
from .fold import Folder
from .lost import LostNodes
from .nodes import Bus, Message, Node
from .stimulus import Stimulus
from .timing import box_of, detection_limits, loads_of, signal_rules

LOOK_NS = 10 * MS  # silence, lost panels and overdue boots are looked for this often
FOREIGN_JITTER_MS = 20.0  # declared for a recording that brings no evidence of its own


class Assessor:
    """Feed it entries in order; ask for the verdict at the end.

    `jitter_ms`: declared worst stamp error of a recording that has no Started mark; None takes
    20 ms. Everything after a Started mark is judged with the jitter frozen in it.
    """

    def __init__(
        self,
        spec: Spec,
        definitions: Definitions,
        model: Model,
        *,
        jitter_ms: float | None = None,
        profile: BenchProfile | None = None,
        not_tested: Mapping[str, str] | None = None,
    ) -> None:
        self.spec = spec
        self.definitions = definitions
        self.model = model
        self.profile = profile
        self.reported: dict[str, Observation] = {}
        self.coverage = Coverage()
        self.folder = Folder()
        self.doubts: list[Doubt] = []
        self.known_from_ns: dict[str, int] = {}
        self.samples = 0
        self.frames = -1
        self.t_ns = 0
        self.own_session = False
        self.ended: Ended | None = None
        self._declared_ms = jitter_ms
        self._planned_out = dict(not_tested or {})
        self._stimuli: list[Stimulus] = []
        self._pending: deque[Stimulus] = deque()
        self._sent = -1
        self._awaiting: dict[int, tuple[int, Stimulus]] = {}
        self._confirms = False
        self._step: StepMark | None = None
        self._counters: dict[str, int] = {}
        self._held: set[str] = set()
        self._sensor_now: dict[str, int] = {}
        self._blind: deque[tuple[int, int, str]] = deque(maxlen=64)
        self._judge: Judge | None = None
        self._bus: Bus | None = None
        self._boots = Boots(spec)
        self._lost = LostNodes(spec)
        self._not_available: dict[str, int] = {}

    # ---- what a conductor asks
    @property
    def discrepancy_count(self) -> int:
        """Root discrepancies so far."""
        return len(self.folder.groups)

    def known(self, circuit: str) -> bool:
        """Whether the circuit's state is known at this moment."""
        if self._judge is None:
            return False
        return self._judge.clusters[self._judge.cluster_of[circuit]].known()

    def hidden(self) -> dict[str, tuple[float, float]]:
        """Hidden variables that are not known yet, with their possible range."""
        out: dict[str, tuple[float, float]] = {}
        if self._judge is None:
            return out
        for cluster in self._judge.clusters:
            for world in cluster.worlds:
                for name, (lo, hi) in self.model.hidden(cluster.number, world.state).items():
                    low, high = out.get(name, (lo, hi))
                    out[name] = min(low, lo), max(high, hi)
        return {n: r for n, r in out.items() if r[0] != r[1]}

    def settled(self) -> bool:
        """Whether nothing is owed and nothing is lost: a good moment to stop."""
        if self._judge is None:
            return False
        return all(c.lost_until is None and c.nothing_owed() for c in self._judge.clusters)

    # ---- the stream
    def feed(self, entry: Entry) -> None:
        """One entry, in order of the recording."""
        if type(entry) is Frame:
            self._frame(entry)
        elif isinstance(entry, Alive):
            self._advance(entry.t_ns)
        else:
            self._mark(entry)

    def _mark(self, entry: Entry) -> None:
        self._advance(entry.t_ns)
        if isinstance(entry, Confirmed):
            self._confirmed(entry)
        elif isinstance(entry, Refused):
            self._refused(entry)
        elif isinstance(entry, StepMark):
            self._step = entry
        elif isinstance(entry, Started):
            self._start(entry.t_ns, entry.jitter_ms, own=True)
        elif isinstance(entry, SupplySwitched):
            self._supply(entry)
        elif isinstance(entry, Dropped):
            self._blinded(entry.t_ns - 200 * MS, entry.t_ns, f"{entry.lost} lost at {entry.where}")
        elif isinstance(entry, HostLate):
            late = round(entry.late_ms * MS)
            self._blinded(
                entry.t_ns - late, entry.t_ns, f"the bench itself was late by {entry.late_ms:.0f} ms"
            )
        elif isinstance(entry, LinkLost):
            self._doubt("link", f"the link was lost: {entry.reason}")
        elif isinstance(entry, Ended):
            self.ended = entry
            if entry.reason != "complete":
                self._doubt("run", f"the run did not finish: {entry.reason}")

    def _start(self, t_ns: int, jitter_ms: float, *, own: bool) -> None:
        self.own_session = own
        self._rules = signal_rules(self.spec, self.definitions, jitter_ms)
        loads, self._no_current = loads_of(self.spec, self.profile)
        settle = {c.name: round(self.spec.boxes[c.box].settle_ms * MS) for c in self.spec.circuits.values()}
        self._judge = Judge(self.model, self._rules, loads, settle, self._found)
        self._jitter_ns = round(jitter_ms * MS)
        self._cycle_ns = max((r.cycle_ns for r in self._rules.values()), default=0)
        self._grace_ns = max((r.deadline_ns for r in self._rules.values() if r.kind != "current"), default=0)
        self._bus = Bus(
            [
                Message(m.name, m.node, round((m.cycle_ms or 0) * MS), tuple(m.signals))
                for m in self.definitions.messages()
                if m.node in self.spec.boxes
            ],
            2 * self._jitter_ns,
            missing=self._message_missing,
            silent=self._node_silent,
            back=self._node_back,
            gap=self._counter_gap,
            stuck=self._counter_stuck,
        )
        self._judge.start(t_ns)
        self._started_ns = self._look_ns = t_ns
        self.t_ns = max(self.t_ns, t_ns)

    def _advance(self, t_ns: int) -> None:
        if t_ns > self.t_ns:
            self.t_ns = t_ns
        if self._judge is not None and (t_ns >= self._look_ns or t_ns >= self._judge.wake_ns):
            self._let_pass(self._judge)

    def _let_pass(self, judge: Judge) -> None:
        """Whatever is due by now, and when to look again at the latest."""
        now = self.t_ns
        for event in self._lost.due(now):
            self._cause(event, event.t_ns - self._jitter_ns, None)
        for box, since in self._boots.overdue(now, self._jitter_ns):
            self._box_deviation("missing", box, since, "awake", "nothing", f"boot:{box}")
        judge.advance(now)
        assert self._bus
        self._bus.look(now)
        while self._pending and now > self._pending[0].due_ns:
            self._conclude(self._pending.popleft())
        if self._awaiting:
            self._check_unconfirmed()
        self._look_ns = now + LOOK_NS
        if self._pending:
            self._look_ns = min(self._look_ns, self._pending[0].due_ns + 1)

    # ---- frames
    def _frame(self, frame: Frame) -> None:
        self.frames += 1
        if frame.direction == TX:
            self._sent += 1
        if self._judge is None and not self.own_session and self._declared_ms is not None:
            self._start(frame.t_ns, self._declared_ms, own=False)
        self._advance(frame.t_ns)
        reading = self.definitions.decode(frame)
        if reading is None:
            return
        if reading.is_control:
            self._control(frame, reading)
            return
        self._report(frame, reading)

    def _report(self, frame: Frame, reading: Reading) -> None:
        t_ns = frame.t_ns
        if reading.undecodable is not None:
            bad = reading.undecodable
            self._box_deviation(
                "frame_wrong",
                reading.node,
                t_ns,
                "a readable frame",
                f"{bad.message}: {bad.reason}",
                f"bad:{bad.message}",
            )
            return
        bus, judge = self._bus, self._judge
        if bus is not None and reading.message in bus.messages:
            bus.heard(reading.message, t_ns)
        reported = self.reported
        dark = not self._boots.awake(reading.node)
        if judge is None or dark:
            for observation in reading.observations:
                reported[observation.signal] = observation
                if judge is not None and observation.signal.startswith("boot:"):
                    self._other(t_ns, reading, observation)
            return
        calm, rules = judge.calm, self._rules
        self.samples += len(reading.body)
        for observation in reading.observations:
            signal, value = observation[0], observation[1]
            if calm.get(signal) == value and value is not None:
                continue
            reported[signal] = observation
            if value is None:
                self._no_value(t_ns, reading.node, observation)
            elif signal in rules:
                judge.sample(t_ns, signal, value)
            else:
                self._other(t_ns, reading, observation)

    def _other(self, t_ns: int, reading: Reading, observation: Observation) -> None:
        kind, _, _ = observation.signal.partition(":")
        assert self._judge and self._bus and observation.value is not None
        if kind == "counter":
            self._bus.count(reading.message, t_ns, observation.raw)
        elif kind == "boot":
            self._booted(t_ns, reading.node, int(observation.value))
        elif kind == "supply_v":
            self._judge.sample(t_ns, observation.signal, observation.value)

    def _no_value(self, t_ns: int, node: str, observation: Observation) -> None:
        kind, _, subject = observation.signal.partition(":")
        if kind not in ("state", "level", "fault", "lamp", "current", "backlight") or self._judge is None:
            return
        box = self.spec.boxes.get(node)
        hidden_ms = box.wake.not_available_ms if box else 0.0
        since = max(self._boots.since(node), self._started_ns)
        allowed = since + round(hidden_ms * MS)
        if t_ns > allowed + self._jitter_ns and observation.signal not in self._not_available:
            self._not_available[observation.signal] = t_ns
            self._doubt(subject, f"the box reports its {kind} as {observation.reason or 'not available'}")

    # ---- causes
    def _control(self, frame: Frame, reading: Reading) -> None:
        self._lost.heard(reading.node, frame.t_ns)
        for kind, name, value, counter in reading.events:
            if kind in (ev.PRESS, ev.RELEASE):
                self._key(frame, reading.node, kind, name, counter)
            elif kind == ev.SENSOR:
                if self._sensor_now.get(name) != value:
                    self._sensor_now[name] = value
                    self._cause(Event(frame.t_ns, kind, name, value), frame.t_ns, self.frames)
            elif kind == ev.WAKE and self._boots.asked(name, frame.t_ns):
                self._goes_dark(name)

    def _key(self, frame: Frame, node: str, kind: str, name: str, counter: int | None) -> None:
        if counter is not None:
            if self._counters.get(node) == counter:
                return
            self._counters[node] = counter
        if (kind == ev.PRESS) == (name in self._held) and counter is None:
            return
        value = 1 if kind == ev.PRESS else 0
        (self._held.add if value else self._held.discard)(name)
        self._cause(Event(frame.t_ns, kind, name, value), frame.t_ns, self.frames)

    def _cause(self, event: Event, earliest_ns: int, frame_index: int | None) -> None:
        if self._judge is None:
            return
        stimulus = Stimulus(
            len(self._stimuli) + 1,
            event.t_ns,
            event.kind,
            event.name,
            event.value,
            self._step.step if self._step else None,
            self._step.about if self._step else "",
            frame_index,
        )
        stimulus.due_ns = event.t_ns + self._grace_ns
        if event.kind == ev.WAKE:
            hidden_ms = self.spec.boxes[event.name].wake.not_available_ms
            stimulus.due_ns += self._cycle_ns + round(hidden_ms * MS)
        self._stimuli.append(stimulus)
        stimulus.clusters = self._judge.event(event, earliest_ns, stimulus.number)
        if event.kind in (ev.PRESS, ev.RELEASE):
            self._judge.hold(event.name, stimulus.clusters, event.kind == ev.PRESS)
        self._pending.append(stimulus)
        if frame_index is not None and self._confirms:
            self._awaiting[self._sent] = event.t_ns, stimulus

    def _conclude(self, stimulus: Stimulus) -> None:
        """Its time is over: was everything it should do expected, and shown?"""
        assert self._judge
        clusters = [self._judge.clusters[i] for i in stimulus.clusters]
        for cluster in clusters:
            if cluster.known():
                for circuit in cluster.circuits:
                    self.known_from_ns.setdefault(circuit, stimulus.t_ns)
        if stimulus.found or stimulus.doubt or not all(c.known() and c.nothing_owed() for c in clusters):
            return
        self.coverage.judged(stimulus)
        for cluster in clusters:
            for circuit in cluster.circuits:
                found = cluster.settled_course(circuit)
                course = found[0] if found else None
                if course is not None and hasattr(course, "lo_pct") and not hasattr(course, "turns"):
                    self.coverage.shown(circuit, (course.lo_pct + course.hi_pct) / 2)

    # ---- confirmation of sends
    def _confirmed(self, mark: Confirmed) -> None:
        self._confirms = True
        waiting = self._awaiting.pop(mark.tag, None)
        if waiting and mark.t_ns - waiting[0] > 2 * self._jitter_ns + MS:
            self._mistrust(waiting[1], f"its confirmation took {(mark.t_ns - waiting[0]) / MS:.0f} ms")

    def _refused(self, mark: Refused) -> None:
        waiting = self._awaiting.pop(mark.tag, None)
        if waiting:
            self._mistrust(waiting[1], f"the link refused it: {mark.reason}")

    def _check_unconfirmed(self) -> None:
        limit = self.t_ns - 1000 * MS
        for tag, (t_ns, stimulus) in list(self._awaiting.items()):
            if t_ns < limit:
                del self._awaiting[tag]
                self._mistrust(stimulus, "the link never confirmed it")

    def _mistrust(self, stimulus: Stimulus, why: str) -> None:
        stimulus.doubt = why
        self._doubt(stimulus.name, f"{stimulus.words()}: {why}", stimulus.t_ns)
        assert self._judge
        self._judge.lose(stimulus.clusters, self.t_ns)

    # ---- supply and boots
    def _supply(self, mark: SupplySwitched) -> None:
        event = Event(mark.t_ns, ev.SUPPLY, mark.box, mark.on)
        if mark.on:
            self._boots.powered(mark.box, mark.t_ns)
            return
        self._cause(event, mark.t_ns, None)
        self._boots.dark(mark.box)
        self._goes_dark(mark.box)

    def _goes_dark(self, box: str) -> None:
        """Nothing need be heard or shown of a box until it has booted."""
        if self._bus and box in self._bus.nodes:
            self._bus.sleep(box)
        if self._judge:
            self._judge.darken(self._subjects(box))

    def _subjects(self, box: str) -> list[str]:
        """Everything whose state the box reports."""
        circuits = [c.name for c in self.spec.circuits.values() if c.box == box]
        others = (*self.spec.controls, *self.spec.panels, *self.spec.screens)
        return circuits + [s for s in others if self._box_name(s) == box]

    def _box_name(self, subject: str) -> str:
        box = box_of(self.spec, "lamp", subject)
        return box.name if box else ""

    def _booted(self, t_ns: int, box: str, reason: int) -> None:
        assert self._judge and self._bus
        first_heard = self._bus.nodes[box].frames <= 1
        asked_ns = self._boots.booted(box, t_ns)
        self._bus.wake(box, t_ns)
        self._judge.brighten(self._subjects(box))
        if asked_ns is None and not first_heard:
            if self.own_session:
                seen = f"a boot frame, reason {reason}"
                self._box_deviation("restart", box, t_ns, "no restart", seen, f"boot:{box}")
            else:
                self._doubt(box, "it booted in this recording, and why is not recorded", t_ns)
        earliest = asked_ns if asked_ns is not None else t_ns - 100 * MS
        self._cause(Event(t_ns, ev.WAKE, box, 1), earliest, None)
        self._judge.grant(round(self.spec.boxes[box].wake.not_available_ms * MS))

    # ---- findings
    def _found(self, found: Found) -> None:
        stimulus = self._stimuli[found.cause - 1] if found.cause else None
        if stimulus:
            stimulus.found = True
        why = self._why_blind(found, stimulus)
        if why:
            self._doubt(found.subject, why, found.t_ns)
            return
        subject = found.signal.partition(":")[2]
        control = stimulus.name if stimulus and stimulus.kind in ("press", "release") else ""
        deviation = Deviation(
            kind=found.kind,
            signal=found.signal,
            subject=subject,
            t_ns=found.t_ns,
            expected=found.expected,
            seen=found.seen,
            cause=stimulus.words() if stimulus else "nothing was done",
            cause_t_ns=stimulus.t_ns if stimulus else None,
            cause_control=control,
            step=stimulus.step if stimulus else None,
            frame_index=None if found.kind == "missing" and found.unseen else self.frames,
            evidence=f"{len(self._blind)} doubts about the link"
            if self._blind
            else "link complete as far as known",
        )
        targets = self.model.targets(control) if control else ()
        self.folder.add(
            deviation,
            clusters=found.clusters,
            cause=found.cause if self._recent(stimulus, found) else 0,
            control=control if self._recent(stimulus, found) else "",
            targeted=subject in targets,
        )

    def _recent(self, stimulus: Stimulus | None, found: Found) -> bool:
        """Whether the stimulus is near enough to have to do with it."""
        return stimulus is not None and found.t_ns - stimulus.t_ns <= 3 * self._grace_ns

    def _why_blind(self, found: Found, stimulus: Stimulus | None) -> str:
        """Why the bench must not call this a discrepancy; empty when it may."""
        if stimulus and stimulus.doubt:
            return f"{stimulus.words()} may not have reached the box: {stimulus.doubt}"
        for since, until, why in self._blind:
            if since <= found.t_ns and until >= found.since_ns - self._grace_ns:
                return f"{why} while {found.signal} was judged"
        box = box_of(self.spec, *found.signal.split(":", 1))
        if found.unseen and box and self._bus and not self._bus.heard_within(box.name, found.since_ns):
            return f"nothing was heard of box {box.name} while {found.signal} was judged"
        if found.unseen and found.signal in self._not_available:
            return f"the box reports {found.signal} as not available"
        return ""

    def _blinded(self, since_ns: int, until_ns: int, why: str) -> None:
        self._blind.append((since_ns, until_ns, why))
        self._doubt("link", why, until_ns)

    def _box_deviation(self, kind: str, box: str, t_ns: int, expected: str, seen: str, key: str) -> None:
        clusters: tuple[int, ...] = ()
        self.folder.add(
            Deviation(kind, f"box:{box}", box, t_ns, expected, seen, "", None, "", None, self.frames),
            clusters=clusters,
            cause=0,
            control="",
            key=key,
        )

    def _message_missing(self, message: Message, t_ns: int) -> None:
        seen = (
            f"no {message.name} since {(t_ns - (message.last_ns or 0)) / MS:.0f} ms, though the box is alive"
        )
        expected = f"{message.name} each {message.cycle_ns / MS:.0f} ms"
        assert self._judge
        clusters = tuple(
            {
                self._judge.cluster_of[s.partition(":")[2]]
                for s in message.signals
                if s.partition(":")[2] in self._judge.cluster_of
            }
        )
        self.folder.add(
            Deviation("frame_missing", f"box:{message.node}", message.node, t_ns, expected, seen),
            clusters=clusters,
            cause=0,
            control="",
            key=message.name,
        )
        self._judge.lose(clusters, t_ns)

    def _node_silent(self, node: Node, t_ns: int) -> None:
        self._doubt(
            node.name, f"nothing was heard of box {node.name} from {(node.last_ns or 0) / 1e9:.3f} s on", t_ns
        )
        self._blind.append((node.last_ns or 0, t_ns, f"box {node.name} was silent"))
        self._lose_box(node.name, t_ns)

    def _node_back(self, node: Node, t_ns: int) -> None:
        self._blind.append((node.last_ns or 0, t_ns, f"box {node.name} was silent"))
        self._lose_box(node.name, t_ns)

    def _lose_box(self, box: str, t_ns: int) -> None:
        assert self._judge
        names = [c.name for c in self.spec.circuits.values() if c.box == box]
        self._judge.lose(sorted({self._judge.cluster_of[n] for n in names}), t_ns)

    def _counter_gap(self, message: Message, t_ns: int, count: int) -> None:
        since = t_ns - message.cycle_ns - 20 * MS
        self._blinded(since, t_ns, f"{count} frame{'' if count == 1 else 's'} of {message.name} not seen")

    def _counter_stuck(self, message: Message, t_ns: int) -> None:
        self._box_deviation(
            "counter",
            message.node,
            t_ns,
            "a counter that counts",
            f"{message.name} repeats {message.counter}",
            message.name,
        )

    def _doubt(self, subject: str, reason: str, t_ns: int | None = None) -> None:
        at = self.t_ns if t_ns is None else t_ns
        if not any(d.subject == subject and d.reason == reason for d in self.doubts):
            self.doubts.append(Doubt(at, subject, reason))

    # ---- the end
    def finish(self) -> Verdict:
        """The verdict on everything fed so far."""
        judge = self._judge
        if judge is None:
            return Verdict(INCONCLUSIVE, (), (Doubt(self.t_ns, "session", "nothing was judged"),), "nothing")
        judge.finish()
        self._open_ends(judge)
        coverage = self.coverage
        for current in judge.currents.values():
            coverage.currents[current.rule.subject] = tuple(sorted(current.shown))
            for level in current.undecided:
                if level not in current.shown:
                    self._doubt(
                        current.rule.subject,
                        f"its current at {level:g} % lies within the measurement uncertainty of a limit",
                    )
        discrepancies = self.folder.discrepancies()
        if not self.samples or not (coverage.controls or coverage.levels):
            self._doubt("session", "nothing was judged")
        outcome = FAIL if discrepancies else INCONCLUSIVE if self.doubts else PASS
        not_tested = {**coverage.not_tested(self.spec), **self._planned_out}
        for circuit, why in self._no_current.items():
            not_tested[f"current of {circuit}"] = why
        return Verdict(
            outcome=outcome,
            discrepancies=discrepancies,
            doubts=tuple(self.doubts),
            scope=coverage.scope(self.spec),
            tested=coverage.tested(),
            not_tested=not_tested,
            known_from_ns=dict(self.known_from_ns),
            detection=detection_limits(self.spec, self._rules),
            judged_samples=self.samples,
            judge_version=JUDGE_VERSION,
        )

    def _open_ends(self, judge: Judge) -> None:
        if self.own_session and self.ended is None:
            self._doubt("run", "the recording ends without an end mark")
        for cluster in judge.clusters:
            if not cluster.nothing_owed():
                self._doubt(", ".join(cluster.circuits), "the recording ends before a change could be shown")
            elif not cluster.worlds and cluster.lost_until is not None and not self.folder.groups:
                self._doubt(", ".join(cluster.circuits), "its state was lost and not found again")
            elif not cluster.known() and cluster.circuits and not self.folder.groups:
                self._doubt(", ".join(cluster.circuits), "its state never became known")
            if cluster.overflow_ns is not None:
                self._doubt(", ".join(cluster.circuits), "too many possibilities to follow")
