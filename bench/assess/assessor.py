"""The assessor: eats the one ordered stream and keeps a judge, a bus watch and a record of both."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from bench.core import event as ev
from bench.core.entry import (
    Alive,
    Answered,
    Asked,
    Confirmed,
    Dropped,
    Ended,
    Entry,
    HostLate,
    LinkLost,
    Refused,
    Started,
    StepMark,
    SupplyConfirmed,
    SupplyRead,
    SupplySwitched,
    SupplyTrouble,
)
from bench.core.event import Event
from bench.core.frame import TX, Frame
from bench.core.model import Model
from bench.core.signal import Observation
from bench.core.timeline import Steady
from bench.core.verdict import Verdict
from bench.definitions import Definitions, Reading
from bench.judge import Judge
from bench.judge.found import Found
from bench.judge.rules import MS
from bench.judge.sleep import WAKING
from bench.spec.model import Spec
from bench.spec.profile import BenchProfile

from .agenda import FOREVER, Agenda
from .boots import Boots
from .causes import Causes
from .coverage import Coverage
from .ears import Ears
from .findings import Findings, unseen, unsent
from .lost import LostNodes
from .persons import Persons
from .stimulus import Stimulus
from .timing import box_of, hears, loads_of, signal_rules
from .verdict import nothing_judged, reach_verdict

BOOT_TWICE_NS = 200 * MS  # no box boots twice within this: the frame was repeated on the bus
SUPPLY_KNOWN_NS = 4_000 * MS  # by then a supply that does not answer is known not to
DROP_BLIND_NS = 200 * MS  # a drop may be noticed this long after it happened
GAP_NS = 300 * MS  # so long without a frame, and frames missing: what is remembered unseen may have changed
FROZEN_NS = 250 * MS  # until a ramp that a loss has frozen has shown its level
STEP_BACK_NS = 200 * MS  # recordings put together, or a clock that was set: more than any reordering


class Assessor:
    """Feed it entries in order; ask for the verdict at the end.

    `jitter_ms`: declared worst stamp error of a recording of another logger; None: the stream
    brings a Started mark, and is judged from there with the jitter frozen in it.
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
        self.not_tested = dict(not_tested or {})
        self.reported: dict[str, Observation] = {}
        self.coverage = Coverage()
        self.agenda = Agenda()
        self.watch = Agenda()  # of what will be missed when it does not come
        self.findings = Findings(model, self.agenda)
        self.findings.followers = frozenset(rule.circuit for rule in spec.follows)
        self.known_from_ns: dict[str, int] = {}
        self.samples = 0
        self.frames = -1  # number of the latest frame, from 0
        self.passed_over = 0  # frames that were told of as a whole
        self.t_ns = 0
        self.frame_ns = 0  # of the latest frame
        self.from_ns = -(1 << 62)  # nothing before is judged
        self.own_session = False
        self.ended: Ended | None = None
        self.stopped_ns: int | None = None  # nothing after was told, by wish
        self.judge: Judge | None = None
        self._declared_ms = jitter_ms
        self._stepped_back = False
        self._disorder_ns = 0, -1  # where stamps step back by more than the jitter
        self._sent = -1
        self.frame_of: dict[str, int] = {}  # message -> its latest frame
        self.message_ns: dict[str, int] = {}  # message -> when it came last
        self.boots = Boots(spec)
        self.lost = LostNodes(spec, self.watch)
        self._losses: dict[str, Stimulus] = {}  # node -> the latest loss of it

    # ---- what a conductor asks
    @property
    def discrepancy_count(self) -> int:
        """Root discrepancies so far."""
        return len(self.findings.folder.groups)

    def known(self, circuit: str) -> bool:
        """Whether the circuit's state is known at this moment."""
        return self.judge is not None and self.judge.clusters[self.judge.cluster_of[circuit]].known()

    def hidden(self) -> dict[str, tuple[float, float]]:
        """Hidden variables that are not known yet, with their possible range."""
        out: dict[str, tuple[float, float]] = {}
        for cluster in self.judge.clusters if self.judge else ():
            for world in cluster.worlds:
                for name, (lo, hi) in self.model.hidden(cluster.number, world.state).items():
                    low, high = out.get(name, (lo, hi))
                    out[name] = min(low, lo), max(high, hi)
        return {n: r for n, r in out.items() if r[0] != r[1]}

    @property
    def stimuli(self) -> Sequence[Stimulus]:
        """Every stimulus so far, oldest first."""
        return self.causes.all if self.judge is not None else ()

    @property
    def held_keys(self) -> frozenset[str]:
        """Controls that are down."""
        return self.causes.held if self.judge is not None else frozenset()

    def heard_ns(self, signal: str) -> int | None:
        """When the message that shows a signal came last; None: never, or nothing shows it."""
        return self.message_ns.get(self.definitions.signal_message.get(signal, ""))

    def settled(self) -> bool:
        """Whether nothing is owed and nothing is lost: a good moment to stop."""
        if self.judge is None:
            return False
        return all(c.lost_until is None and c.nothing_owed() for c in self.judge.clusters)

    # ---- judging a part
    def judge_from(self, t_ns: int) -> None:
        """What was told so far serves to know the state; judged is what comes from here on."""
        self.from_ns = t_ns
        self.findings.start_from(t_ns)
        self.coverage = Coverage()
        self.samples = 0
        if self.judge is not None:
            self.judge.forget_currents()
            self.ears.say_again(t_ns)

    def stop_at(self, t_ns: int) -> None:
        """Nothing more is told, though the recording goes on."""
        self._advance(t_ns)
        self.stopped_ns = t_ns

    # ---- the stream
    def feed(self, entry: Entry, number: int | None = None) -> None:
        """One entry, in order of the recording; of a frame its `number`, where they are not told in that
        order. After a step back of its clock nothing is judged."""
        if self._stepped_back:
            return
        if type(entry) is Frame:
            self.frames = self.frames + 1 if number is None else number
            self._frame(entry)
        elif isinstance(entry, Alive):
            self._advance(entry.t_ns)
        else:
            self._mark(entry)

    def out_of_order(self, t_ns: int, latest_ns: int) -> None:
        """An entry of `t_ns` was recorded after one of `latest_ns`, by more than the jitter can explain: in
        which order things happened is not known there."""
        since_ns, until_ns = self._disorder_ns
        if self.judge is None or (since_ns <= t_ns and latest_ns <= until_ns):
            return
        since_ns, until_ns = t_ns - 2 * self.jitter_ns, latest_ns + self.findings.grace_ns
        self._disorder_ns = since_ns, until_ns
        why = f"the stamps step back by {(latest_ns - t_ns) / MS:.0f} ms"
        self.findings.blinded(since_ns, until_ns, why)
        self.judge.blinded(since_ns, self.t_ns)

    def _mark(self, entry: Entry) -> None:
        self._advance(entry.t_ns)
        t_ns, findings = entry.t_ns, self.findings
        if isinstance(entry, Started):
            self._start(t_ns, entry.jitter_ms, own=True, complete=bool(entry.complete))
        elif isinstance(entry, Dropped):
            self._dropped(entry)
        elif isinstance(entry, HostLate):
            self._host_late(entry)
        elif isinstance(entry, LinkLost):
            findings.doubt("link", f"the link was lost: {entry.reason}", t_ns)
        elif isinstance(entry, Ended):
            self.ended = entry
            if entry.reason != "complete":
                findings.doubt("run", f"the run did not finish: {entry.reason}", t_ns)
        elif isinstance(entry, SupplyTrouble):
            self._supply_trouble(entry)
        elif self.judge is not None:
            self._mark_of_run(entry)

    def _dropped(self, mark: Dropped) -> None:
        t_ns = mark.t_ns
        lost = f"{mark.lost} lost" if mark.lost else "frames may be missing"
        self.findings.blinded(t_ns - DROP_BLIND_NS, t_ns, f"{lost} at {mark.where}")
        if self.judge is None:
            return
        self.judge.blinded(t_ns - DROP_BLIND_NS, t_ns)
        if t_ns - self.frame_ns > GAP_NS:
            self.judge.begin_anew(t_ns)
            self.causes.forget()
            self.definitions.forget()

    def _host_late(self, mark: HostLate) -> None:
        """Stamps of that stretch are late. Where nothing was changing this costs nothing."""
        since, why = mark.t_ns - round(mark.late_ms * MS), f"the bench was late by {mark.late_ms:.0f} ms"
        self.findings.late(since, mark.t_ns, why)
        cost = self.judge.blinded(since, mark.t_ns) if self.judge is not None else []
        if cost:
            self.findings.doubt("bench", f"{why} while these were judged: {', '.join(cost)}", mark.t_ns)

    def _mark_of_run(self, entry: Entry) -> None:
        if isinstance(entry, Confirmed):
            self.causes.confirmed(entry)
            self.lost.confirmed(entry.tag)
        elif isinstance(entry, Refused):
            self.causes.refused(entry)
        elif isinstance(entry, StepMark):
            self.causes.step = entry
        elif isinstance(entry, SupplySwitched):
            self._supply(entry)
        elif isinstance(entry, Asked):
            self.persons.asked(entry)
        elif isinstance(entry, Answered):
            self.persons.answered(entry, self.reported, self.coverage)
        elif isinstance(entry, SupplyConfirmed):
            if entry.on:
                self.boots.confirmed(entry.box, entry.t_ns)
        elif isinstance(entry, SupplyRead):
            self._supply_read()

    def _start(self, t_ns: int, jitter_ms: float, *, own: bool, complete: bool = False) -> None:
        self.own_session = own
        self._complete = complete
        self.rules = signal_rules(self.spec, self.definitions, jitter_ms, complete=complete)
        loads, self.no_current = loads_of(self.spec, self.profile)
        box_of_circuit = {c.name: self.spec.boxes[c.box] for c in self.spec.circuits.values()}
        settle = {c: round(box.settle_ms * MS) for c, box in box_of_circuit.items()}
        resolves = {c: round(box.resolves_ms * MS) for c, box in box_of_circuit.items()}
        waits = {c: round(box.shortest_press_ms * MS) for c, box in box_of_circuit.items()}
        boxes = tuple(self.spec.boxes)
        judge = self.judge = Judge(
            self.model,
            self.rules,
            loads,
            settle,
            self._found,
            boxes,
            self._unclear,
            resolves,
            waits,
            self.definitions.messages_of,
        )
        ruled = {r.circuit for r in self.spec.follows} | {r.circuit for r in self.spec.inhibits}
        ruled |= {c.name for c in self.spec.circuits.values() if c.auto_off is not None}
        judge.ruled = frozenset(judge.cluster_of[c] for c in ruled)
        self.jitter_ns = jitter_ns = round(jitter_ms * MS)
        self._cycle_ns = max((r.cycle_ns for r in self.rules.values()), default=0)
        timed = [r for r in self.rules.values() if r.kind != "current"]
        self.findings.grace_ns = max((r.deadline_ns for r in timed), default=0)
        shown_ns = max((r.deadline_ns - r.spare_ns for r in timed), default=0)
        repeats = any(b.repeated_counter == "new_event" for b in self.spec.boxes.values())
        agenda, watch = self.agenda, self.watch
        self.causes = Causes(judge, self.findings, jitter_ns, shown_ns, agenda, repeats_count=repeats)
        self.persons = Persons(self.spec, judge, self.causes, self.findings)
        self.ears = Ears(
            self.spec, self.definitions, judge, self.findings, self.boots, jitter_ns, t_ns, complete,
            agenda, watch,
        )  # fmt: skip
        if not own:
            self.findings.hold_all()
        self._unknown = dict.fromkeys(range(len(judge.clusters)), -1)
        if not own:
            for control in self.spec.controls.values():
                function = self.spec.functions.get(control.function)
                if function is not None and function.kind == "momentary":
                    judge.perhaps_held(control.name, function.members[0])
        judge.start(t_ns)
        agenda.by(t_ns)
        self.t_ns = max(self.t_ns, t_ns)

    def _advance(self, t_ns: int) -> None:
        if t_ns > self.t_ns:
            self.t_ns = t_ns
        judge = self.judge
        if judge is not None and (
            t_ns >= self.agenda.at_ns or t_ns >= self.watch.at_ns or t_ns >= judge.wake_ns
        ):
            self._let_pass(judge)

    def _let_pass(self, judge: Judge) -> None:
        """Whatever is due by now, and when to look again at the latest."""
        now, causes, lost = self.t_ns, self.causes, self.lost
        self.agenda.at_ns = self.watch.at_ns = FOREVER
        if lost.stirs(now):
            for event in lost.due(now):
                stimulus = causes.apply(event, event.t_ns - self.jitter_ns, more_ns=FROZEN_NS)
                if event.value:
                    self._losses[event.name] = stimulus
            for node in lost.unsure(now):
                self._may_be_lost(judge, node)
        judge.advance(now)
        if self._unknown:
            self._note_known(judge)
        self.ears.frame_index = self.frames
        self.ears.pass_time(now, causes.maybe_called)
        for stimulus in causes.concluded(now) if causes.pending else ():
            self._conclude(judge, stimulus)
        causes.check_unconfirmed(now)
        self.findings.decide(now)
        lost.look_again(now)
        if judge.sleep:  # timers that end now may be nobody's to tell
            self.agenda.by(now)

    def _note_known(self, judge: Judge) -> None:
        for i, version in list(self._unknown.items()):
            cluster = judge.clusters[i]
            if cluster.version == version:
                continue
            self._unknown[i] = cluster.version
            if cluster.known():
                del self._unknown[i]
                self.known_from_ns |= dict.fromkeys(cluster.circuits, self.t_ns)

    # ---- frames
    def _frame(self, frame: Frame) -> None:
        if frame.t_ns < self.t_ns - STEP_BACK_NS:
            self._stepped_back = True
            back_s = (self.t_ns - frame.t_ns) / 1e9
            text = f"the stamps step back by {back_s:.3f} s at frame {self.frames}"
            self.findings.doubt("recording", f"{text}: nothing was judged from there on", self.t_ns)
            return
        tag = None
        if frame.direction == TX:
            self._sent += 1
            tag = self._sent
        if self.judge is None and self._declared_ms is not None:
            self._start(frame.t_ns, self._declared_ms, own=False)
        self._advance(frame.t_ns)
        self.frame_ns = frame.t_ns
        reading = self.definitions.decode(frame)
        if reading is None:
            return
        if reading.is_control:
            self._control(frame, reading, tag)
        else:
            self._report(frame, reading)

    def passed_message(self, message: str, number: int, t_ns: int, samples: int) -> None:
        """Frames of a message came that say what is known already, the last one with this number."""
        self.frame_of[message], self.message_ns[message] = number, t_ns
        self.samples += samples

    def reading(self, frame: Frame) -> Reading:
        """What a box's frame says."""
        reading = self.definitions.decode(frame)
        assert reading is not None
        return reading

    def note(self, frame: Frame) -> None:
        """Takes what a frame says as reported, without judging it."""
        for observation in self.reading(frame).observations:
            self.reported[observation.signal] = observation

    def passed(self, count: int, number: int, t_ns: int) -> None:
        """`count` frames came in which nothing was new, the last with this number; nothing was due."""
        self.passed_over += count
        self.frames, self.frame_ns = number, t_ns
        self.t_ns = max(self.t_ns, t_ns)

    def _control(self, frame: Frame, reading: Reading, tag: int | None) -> None:
        if self.judge is not None:
            for name in self.lost.told_by(reading.node):
                self._end_silence(self.judge, name, frame.t_ns)
        waits = tag is not None and self.judge is not None and self.causes.confirms
        self.lost.heard(reading.node, frame.t_ns, sure=not waits)
        if tag is not None and waits:
            self.lost.sent(reading.node, frame.t_ns, tag)
        if self.judge is None:
            return
        if reading.undecodable is not None:
            why = f"a control frame cannot be read: {reading.undecodable.reason}"
            self._keys_unknown(self.judge, reading.node, why, frame.t_ns, frame.t_ns)
            for sensor in self.definitions.forget_sensors(reading.message):
                self.causes.forget_sensor(sensor)
                self.judge.forget_sensor(sensor, frame.t_ns)
        bits = self.definitions.key_counter_bits.get(reading.node)
        if bits is not None and tag is None and not self._complete:
            count, since_ns = self.causes.missed(frame.t_ns, reading, bits)
            if count:
                why = f"{count} keys of {reading.node} not seen"
                self._keys_unknown(self.judge, reading.node, why, since_ns, frame.t_ns)
        for box in self.causes.of_frame(frame.t_ns, reading, self.frames, tag):
            if self.boots.asked(box, frame.t_ns):
                self.ears.told_to_wake(box, frame.t_ns)
        if self._unknown:
            self._note_known(self.judge)

    def _keys_unknown(self, judge: Judge, node: str, why: str, since_ns: int, t_ns: int) -> None:
        """Keys of a node may have gone down or up unseen since then: what they reach is taken up anew."""
        grace_ns = self.findings.grace_ns
        self.findings.blinded(since_ns - 2 * self.jitter_ns, t_ns + grace_ns, why, node)
        reached: set[int] = set()
        for control in self.spec.controls.values():
            if control.name.rpartition(" ")[0] != node:
                continue
            function = self.spec.functions.get(control.function)
            if function is None:
                continue
            reached.update(judge.cluster_of[c] for c in function.circuits)
            if function.kind == "momentary":
                judge.perhaps_held(control.name, function.members[0])
        judge.lose(sorted(reached), t_ns)

    def _report(self, frame: Frame, reading: Reading) -> None:
        t_ns, judge = frame.t_ns, self.judge
        reported = self.reported
        if judge is None:
            for observation in reading.observations:
                reported[observation.signal] = observation
            return
        if reading.undecodable is not None:
            self.ears.unreadable(t_ns, reading)
        self.frame_of[reading.message] = self.frames
        self.message_ns[reading.message] = t_ns
        self.ears.bus.heard(reading.message, t_ns)
        if not self.boots.awake(reading.node):
            for observation in reading.observations:
                reported[observation.signal] = observation
                if observation.signal.startswith("boot:"):
                    self._other(t_ns, reading, observation)
            return
        body, payloads = reading.body, judge.calm.payloads
        self.samples += len(body)
        if payloads.get(reading.message) is not body:
            payloads[reading.message] = body
            if self._stirring(t_ns, judge, reading):
                payloads.pop(reading.message, None)
            if self._unknown:
                self._note_known(judge)
        for observation in reading.observations[len(body) :]:
            reported[observation.signal] = observation
            self._other(t_ns, reading, observation)

    def _stirring(self, t_ns: int, judge: Judge, reading: Reading) -> bool:
        """Look at what a report shows. Whether some of it needs a look the next time too."""
        calm, rules, currents = judge.calm, self.rules, judge.currents
        reported, unavailable = self.reported, self.ears.unavailable
        stirring = False
        for observation in reading.body:
            signal, value = observation[0], observation[1]
            if calm.get(signal) == value and value is not None:
                continue
            stirring = True
            reported[signal] = observation
            if value is None:
                self.ears.not_available(t_ns, reading.node, observation)
            elif (current := currents.get(signal)) is not None:
                current.sample(t_ns, value)
            elif (rule := rules.get(signal)) is not None:
                if unavailable and signal in unavailable:
                    self.ears.available(t_ns, rule)
                judge.sample(t_ns, signal, value)
            else:
                self._other(t_ns, reading, observation)
        return stirring

    def _other(self, t_ns: int, reading: Reading, observation: Observation) -> None:
        assert self.judge
        kind = observation.signal.partition(":")[0]
        if kind == "counter":
            self.ears.frame_index = self.frames
            self.ears.bus.count(reading.message, t_ns, observation.raw)
        elif kind == "supply_v" and observation.value is not None:
            self.judge.sample(t_ns, observation.signal, observation.value)
        elif kind == "boot" and t_ns - self.boots.since(reading.node) > BOOT_TWICE_NS:
            box = reading.node
            self.ears.frame_index = self.frames
            self._unheard_by(self.judge, box, t_ns)
            earliest = self.ears.booted(t_ns, box, observation.raw, own_session=self.own_session)
            hidden_ns = round(self.spec.boxes[box].wake.not_available_ms * MS)
            self.causes.apply(Event(t_ns, ev.WAKE, box, 1), earliest, more_ns=self._cycle_ns + hidden_ns)
            self.judge.grant(hidden_ns)
            levels = self.definitions.level_message
            self.causes.woke({k: m for k, m in levels.items() if hears(self.spec, box, k)})

    def _unheard_by(self, judge: Judge, box: str, t_ns: int) -> None:
        """A box that boots unasked did not hear what was done since it stopped, for other boxes either."""
        last_ns = self.ears.bus.nodes[box].before_ns
        if self.boots.due(box) or last_ns is None:
            return
        since_ns = last_ns - round(self.spec.boxes[box].respond_ms * MS)
        causes = [s for s in self.causes.recent(since_ns, t_ns) if hears(self.spec, box, s.name)]
        judge.lose(sorted({i for s in causes for i in s.clusters}), t_ns)

    def _supply(self, mark: SupplySwitched) -> None:
        if mark.on:
            if self.boots.powered(mark.box, mark.t_ns):
                self.ears.goes_dark(mark.box, mark.t_ns, WAKING)
            return
        self.causes.apply(Event(mark.t_ns, ev.SUPPLY, mark.box, 0), mark.t_ns)
        self.boots.dark(mark.box)
        self.ears.goes_dark(mark.box, mark.t_ns)

    def _supply_read(self) -> None:
        """The supply is watched: a restart counts once it is known that the supply was not the cause."""
        if not self.findings.supply_watched:
            self.findings.supply_watched = True
            self.findings.hold_ns = max(self.findings.hold_ns, SUPPLY_KNOWN_NS)

    def _supply_trouble(self, mark: SupplyTrouble) -> None:
        """Whatever the boxes did since then, the supply may have made them do."""
        self.findings.supply_bad(mark.since_ns, mark.t_ns, mark.reason)
        if self.judge is not None:
            self.judge.blinded(mark.since_ns, mark.t_ns)
            self.judge.begin_anew(mark.t_ns)
            self.causes.forget()

    def _end_silence(self, judge: Judge, name: str, t_ns: int) -> None:
        """A silence that ends near its limit may or may not have been taken for a loss."""
        what = self.lost.silence(name, t_ns, self.jitter_ns)
        if what == "perhaps lost":
            self.causes.apply(Event(t_ns, ev.LOST, name, 1), t_ns - self.jitter_ns, maybe=True)
            if name.startswith("sensor "):
                self.causes.apply(Event(t_ns, ev.LOST, name, 0), t_ns - self.jitter_ns)
        elif what == "perhaps not":
            loss = self._losses[name]
            judge.doubt_event(loss.number, loss.clusters, t_ns)

    def _may_be_lost(self, judge: Judge, node: str) -> None:
        why = "its signs of life were not confirmed, so the box may have lost it"
        self.findings.doubt(node, why, self.t_ns)
        judge.lose([k for k, _ in self.model.route(Event(self.t_ns, ev.LOST, node, 1), ())], self.t_ns)

    def _unclear(self, cluster: int, box: str, why: str) -> None:
        circuits = self.model.clusters[cluster]
        names, box = ", ".join(circuits), box or self.spec.circuits[circuits[0]].box
        self.findings.doubt(names, f"box {box} {why}: what then happened to these is not agreed", self.t_ns)

    # ---- what comes of it
    def _conclude(self, judge: Judge, stimulus: Stimulus) -> None:
        """Its time is over: was everything it should do expected, and shown?"""
        clusters = [judge.clusters[i] for i in stimulus.clusters]
        if stimulus.t_ns < self.from_ns:
            return
        if (
            stimulus.found
            or stimulus.doubt
            or stimulus.maybe
            or not all(c.known() and c.nothing_owed() for c in clusters)
        ):
            return
        if self.findings.blind_over(stimulus.t_ns, stimulus.due_ns):
            return
        self.coverage.judged(stimulus)
        for cluster in clusters:
            for circuit in cluster.circuits:
                found = cluster.settled_course(circuit)
                if found is not None and isinstance(found[0], Steady):
                    self.coverage.shown(circuit, (found[0].lo_pct + found[0].hi_pct) / 2)

    def _found(self, found: Found) -> None:
        causes, findings = self.causes, self.findings
        stimulus = causes.before(found.cause)
        if stimulus:
            stimulus.found = True
        kind, _, subject = found.signal.partition(":")
        box = box_of(self.spec, kind, subject)
        name = box.name if box else ""
        why = self._why_not(found, stimulus, name)
        if why:
            findings.doubt(found.subject, why, found.t_ns)
            return
        if found.unseen and (message := self.ears.overdue(found)) is not None:
            self.ears.message_missing(message, found.t_ns, complete=self._complete)
            return
        recent = causes.recent(found.since_ns - self.jitter_ns, found.t_ns)
        shown_by = self.frame_of.get(self.definitions.signal_message.get(found.signal, ""))
        leans_on = causes.unconfirmed(found.clusters)
        findings.of_signal(found, stimulus, recent, name, shown_by, leans_on)

    def _why_not(self, found: Found, stimulus: Stimulus | None, box: str) -> str:
        """Why the bench must not call this a discrepancy; empty when it may."""
        if stimulus and stimulus.doubt:
            return unsent(stimulus, stimulus.doubt)
        blind = self.findings.blind_over(found.since_ns - self.findings.grace_ns, found.t_ns)
        if blind:
            return unseen(blind, found.signal)
        if not found.unseen:
            return ""
        rule = self.rules[found.signal]
        if rule.on_change and not rule.cycle_ns and not self._complete and not self._is_counted(found.signal):
            return f"{found.signal} is told once, and this link cannot prove that it lost no frame"
        if found.signal in self.ears.unavailable:
            return f"the box does not report {found.signal} readably"
        if box and not self.ears.bus.heard_within(box, found.since_ns):
            return f"nothing was heard of box {box} while {found.signal} was judged"
        return ""

    def _is_counted(self, signal: str) -> bool:
        message = self.ears.bus.messages.get(self.definitions.signal_message.get(signal, ""))
        return message is not None and message.counter_bits > 0

    def finish(self) -> Verdict:
        """The verdict on everything fed so far."""
        if self.judge is None:
            return nothing_judged(self.t_ns)
        self.persons.given_up(self.t_ns)
        return reach_verdict(self, self.judge)
