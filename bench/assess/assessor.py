"""The assessor: eats the one ordered stream and keeps a judge, a bus watch and a record of both."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from bench.core.entry import Alive, Ended, Entry, Mark, Started
from bench.core.frame import TX, Frame
from bench.core.model import Model
from bench.core.signal import Observation
from bench.core.verdict import Verdict
from bench.definitions import Definitions, Reading
from bench.judge import Judge
from bench.judge.found import Found
from bench.judge.rules import MS
from bench.spec.model import Spec
from bench.spec.profile import BenchProfile

from .agenda import FOREVER, Agenda
from .boots import Boots
from .causes import AT_THE_END_NS, Causes
from .controls import Controls
from .coverage import Coverage
from .ears import Ears
from .findings import Findings
from .lost import LostNodes
from .make import hold_perhaps, make_judge
from .marks import Marks, doubt
from .outcomes import Outcomes
from .parts import Parts
from .persons import Persons
from .reports import Reports
from .stimulus import Stimulus
from .timing import loads_of, signal_rules
from .verdict import nothing_judged, reach_verdict
from .volts import Volts
from .witnessed import Witnessed

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
        self.findings.leaders = {rule.circuit: rule.sources for rule in spec.follows}
        self.known_from_ns: dict[str, int] = {}
        self.samples = 0
        self.frames = -1  # number of the latest frame, from 0
        self.passed_over = 0  # frames that were told of as a whole
        self.t_ns = 0
        self.frame_ns = 0  # of the latest frame
        self.from_ns = -(1 << 62)  # nothing before is judged
        self.own_session = False
        self.timely = True  # late stamps are told of; False only where the stream says so
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
            self.witnessed.forget()

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
        if isinstance(entry, Frame):
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

    def _mark(self, mark: Mark) -> None:
        self._advance(mark.t_ns)
        if isinstance(mark, Started):
            self._start(mark.t_ns, mark.jitter_ms, own=True, complete=bool(mark.complete))
            self.timely = bool(mark.timely)
            return
        if isinstance(mark, Ended):
            self.ended = mark
        doubt(mark, self.findings)
        if self.judge is not None:
            self._marks.take(mark, self.frame_ns, self.coverage)

    def _start(self, t_ns: int, jitter_ms: float, *, own: bool, complete: bool = False) -> None:
        self.own_session = own
        self.rules = signal_rules(self.spec, self.definitions, jitter_ms, complete=complete)
        loads, self.no_current = loads_of(self.spec, self.profile)
        judge = self.judge = make_judge(
            self.spec, self.definitions, self.model, self.rules, loads, self._found, self._unclear
        )
        self.jitter_ns = jitter_ns = round(jitter_ms * MS)
        timed = [r for r in self.rules.values() if r.kind != "current"]
        self.findings.grace_ns = max((r.deadline_ns for r in timed), default=0)
        shown_ns = max((r.deadline_ns - r.spare_ns for r in timed), default=0)
        repeats = any(b.repeated_counter == "new_event" for b in self.spec.boxes.values())
        agenda, watch = self.agenda, self.watch
        self.causes = Causes(judge, self.findings, jitter_ns, shown_ns, agenda, repeats_count=repeats)
        self.persons = Persons(self.spec, judge, self.causes, self.findings)
        self.witnessed = Witnessed(self.spec, judge, self.persons, self.findings, self.profile, jitter_ns)
        self.volts = Volts(self.spec, self.model, judge, self.causes, self.findings, agenda)
        self.ears = Ears(
            self.spec, self.definitions, judge, self.findings, self.boots, jitter_ns, t_ns, own, complete,
            agenda, watch,
        )  # fmt: skip
        parts = Parts(
            self.spec, self.definitions, self.model, judge, self.rules, self.causes, self.findings, self.lost,
            self.boots, self.ears, self.persons, self.witnessed, self.volts, self.reported,
            self.frame_of, jitter_ns, own, complete,
        )  # fmt: skip
        self._controls, self._reports = Controls(parts), Reports(parts)
        self._outcomes, self._marks = Outcomes(parts), Marks(parts)
        self._unknown = dict.fromkeys(range(len(judge.clusters)), -1)
        if not own:
            self.findings.hold_all()
            hold_perhaps(self.spec, judge)
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
        now, causes = self.t_ns, self.causes
        self.agenda.at_ns = self.watch.at_ns = FOREVER
        self._controls.pass_time(now)
        judge.advance(now)
        self.volts.pass_time(now)
        if self._unknown:
            self._note_known(judge)
        self.ears.frame_index = self.frames
        self.ears.pass_time(now, causes.maybe_called)
        for stimulus in causes.concluded(now) if causes.pending else ():
            if stimulus.t_ns >= self.from_ns:
                self._outcomes.conclude(stimulus, self.coverage)
        causes.check_unconfirmed(now)
        self.findings.decide(now)
        self.lost.look_again(now)
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

    def counted(self, message: str, counter: int, t_ns: int) -> None:
        """Frames of keys or sensors sent as levels came that say what is known already."""
        self._controls.counted(message, counter, t_ns)

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
        if self.judge is None:
            self.lost.heard(reading.node, frame.t_ns)
            return
        self._controls.heard(frame, reading, self.frames, tag)
        if self._unknown:
            self._note_known(self.judge)

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
                    self._reports.other(t_ns, reading, observation, self.frames)
            return
        body, payloads = reading.body, judge.calm.payloads
        self.samples += len(body)
        if payloads.get(reading.message) is not body:
            payloads[reading.message] = body
            if self._reports.stirs(t_ns, reading, self.frames):
                payloads.pop(reading.message, None)
            if self._unknown:
                self._note_known(judge)
        for observation in reading.observations[len(body) :]:
            reported[observation.signal] = observation
            self._reports.other(t_ns, reading, observation, self.frames)

    def _unclear(self, cluster: int, box: str, why: str) -> None:
        circuits = self.model.clusters[cluster]
        names, box = ", ".join(circuits), box or self.spec.circuits[circuits[0]].box
        self.findings.doubt(names, f"box {box} {why}: what then happened to these is not agreed", self.t_ns)

    def _found(self, found: Found) -> None:
        self._outcomes.found(found)

    def finish(self) -> Verdict:
        """The verdict on everything fed so far."""
        if self.judge is None:
            return nothing_judged(self.t_ns)
        self.causes.check_unconfirmed(self.t_ns, AT_THE_END_NS)
        self.persons.given_up(self.t_ns)
        return reach_verdict(self, self.judge)
