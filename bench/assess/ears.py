"""What the boxes' own frames say beside their signals: who is there, who is missing, who has booted."""

from __future__ import annotations

from bench.core.signal import Observation
from bench.definitions import Definitions, Reading
from bench.judge import Judge
from bench.judge.found import Found
from bench.judge.rules import MS, SignalRule
from bench.judge.sleep import WAKING, WITHOUT
from bench.spec.model import Spec

from .agenda import Agenda
from .boots import Boots
from .findings import Findings, milliseconds, silence
from .nodes import LATE_NS, Bus, Message, Node
from .timing import subjects_of

LOOK_SLACK_NS = 50 * MS


class Ears:
    """Supervises messages, nodes and boots; tells findings and, where track is lost, the judge."""

    def __init__(
        self,
        spec: Spec,
        definitions: Definitions,
        judge: Judge,
        findings: Findings,
        boots: Boots,
        jitter_ns: int,
        started_ns: int,
        own_session: bool,
        complete: bool,
        agenda: Agenda,
        watch: Agenda,
    ) -> None:
        self._spec = spec
        self._judge = judge
        self._findings = findings
        self.boots = boots
        self._jitter_ns = jitter_ns
        self._agenda = agenda
        self._started_ns = started_ns
        self._own_session = own_session
        self._complete = complete  # the link would have told of any frame it lost
        self._message_of = definitions.signal_message
        self.unavailable: set[str] = set()  # signals that the box has said to have no value for
        self._clusters_of = {
            box: sorted({judge.cluster_of[c.name] for c in spec.circuits.values() if c.box == box})
            for box in spec.boxes
        }
        self._needing = {
            box: sorted(judge.sleep.needing(box).union(own)) for box, own in self._clusters_of.items()
        }
        self._subjects = {box: subjects_of(spec, box) for box in spec.boxes}
        self.frame_index = -1
        self.bus = Bus(
            [
                Message(
                    m.name,
                    m.node,
                    round((m.cycle_ms or 0) * MS),
                    tuple(m.signals),
                    m.counter_bits,
                    m.counted_as,
                )
                for m in definitions.messages()
                if m.node in spec.boxes
            ],
            2 * jitter_ns,
            watch,
            missing=self._message_missing,
            silent=self._node_silent,
            back=self._node_back,
            gap=self._counter_gap,
            stuck=self._counter_stuck,
            repeated=self._repeated,
            unproved=self._unproved,
        )
        for box in spec.boxes:  # one that shows nothing of the spec too
            self.bus.nodes.setdefault(box, Node(box))
        findings.hold_ns = max(findings.hold_ns, self.bus.known_silent_ns() + LOOK_SLACK_NS)

    def pass_time(self, t_ns: int, maybe_called: set[str]) -> None:
        """Who should have been heard by now? `maybe_called`: boxes whose wake message was not confirmed."""
        for box, since in self.boots.overdue(t_ns, self._jitter_ns) if self.boots.expects else ():
            if not self.bus.heard_within(box, since - self.bus.nodes[box].limit_ns):
                self._findings.doubt(box, silence(box, since) + ": whether it woke cannot be told", since)
            elif box in maybe_called:
                self._findings.doubt(box, "the link did not confirm its wake message", since)
            elif self.bus.was_silent(box):
                why = "it was silent for a while after it was to wake, and its boot frame was not seen"
                self._findings.doubt(box, why, since)
            elif not self._complete:  # its counters start anew: no gap would show that one frame was lost
                why = "its boot frame was not seen, and this link does not tell of every frame it loses"
                self._findings.doubt(box, why, since)
            else:
                self._findings.of_box(
                    "missing", box, since, "awake", "nothing", f"boot:{box}", self.frame_index
                )
        if self.boots.expects:
            self._agenda.by(self.boots.next_overdue_ns(self._jitter_ns))
        self.bus.look(t_ns)

    def told_to_wake(self, box: str, t_ns: int) -> None:
        """A wake message was on the bus: the box starts anew, at an instant of its own."""
        node = self.bus.nodes[box]
        if node.awake and node.last_ns is not None and t_ns - node.last_ns > self.bus.pause_ns(node):
            self._blind_from(node.last_ns, t_ns, silence(box, node.last_ns), box)
        self.goes_dark(box, t_ns, WAKING)

    def goes_dark(self, box: str, t_ns: int, why: str = WITHOUT) -> None:
        """Nothing need be heard or shown of a box until it has booted."""
        self._agenda.by(t_ns)
        self._judge.fell_asleep(box, why, t_ns)
        if len(self._clusters_of) > 1 or why == WAKING:
            self._judge.unsure(box, self._clusters_of[box], t_ns)
        self.bus.sleep(box)
        self._judge.mute(box, self._needing[box], t_ns, muted=False)
        self._judge.darken(self._subjects[box])

    def booted(self, t_ns: int, box: str, reason: int) -> int:
        """A boot frame came. Returns the earliest instant of the wake-up it reports."""
        first_heard = self.bus.nodes[box].frames <= 1
        asked_ns, due_ns = self.boots.booted(box, t_ns)
        self.bus.wake(box, t_ns)
        self._judge.brighten(self._subjects[box])
        self._judge.woke(box)
        if asked_ns is not None:
            if due_ns is not None:
                self._woke_late(box, asked_ns, due_ns, t_ns)
            return asked_ns
        if not first_heard and self._own_session:
            seen = f"a boot frame, reason {reason}"
            self._findings.of_box(
                "restart", box, t_ns, "no restart", seen, f"boot:{box}", self.frame_index, certain=True
            )
        elif not first_heard:
            why = "it booted in this recording, and why is not recorded"
            self._blind_from(self.bus.nodes[box].before_ns or t_ns, t_ns, why, box)
        return t_ns - round(self._spec.boxes[box].respond_ms * MS)

    def _woke_late(self, box: str, asked_ns: int, due_ns: int, t_ns: int) -> None:
        expected = f"awake, and that shown, within {(due_ns - asked_ns) / 1e9:.2f} s"
        seen = f"its boot frame after {(t_ns - asked_ns) / 1e9:.2f} s"
        self._findings.of_box(
            "late", box, due_ns, expected, seen, f"boot:{box}", self.frame_index, since_ns=asked_ns
        )

    def _blind_from(self, last_ns: int, t_ns: int, why: str, box: str) -> None:
        """Nothing is known of a box after its frame that was stamped `last_ns`, later than it was sent."""
        self._findings.blinded(last_ns - 2 * self._jitter_ns, t_ns, why, box)

    def not_available(self, t_ns: int, node: str, observation: Observation) -> None:
        """The box says that it has no value: right for a while after wake-up, else a doubt."""
        kind, _, subject = observation.signal.partition(":")
        if kind not in ("state", "level", "fault", "lamp", "current", "backlight"):
            return
        box = self._spec.boxes.get(node)
        hidden_ms = box.wake.not_available_ms if box else 0.0
        hidden_ms += box.respond_ms if box and hidden_ms else 0.0  # its end is shown as late as any change
        allowed = max(self.boots.since(node), self._started_ns) + round(hidden_ms * MS) + self._jitter_ns
        if t_ns > allowed and observation.signal not in self.unavailable:
            self.unavailable.add(observation.signal)
            self._judge.ignore(observation.signal)
            reason = observation.reason or "not available"
            self._findings.doubt(subject, f"the box reports its {kind} as {reason}", t_ns)

    def say_again(self, t_ns: int) -> None:
        """What is still in doubt from before: signals that are not watched any more, boxes not heard."""
        for signal in sorted(self.unavailable):
            kind, _, subject = signal.partition(":")
            self._findings.doubt(subject, f"its {kind} could not be read before, and is not judged", t_ns)
        for node in self.bus.nodes.values():
            if node.silent:
                self._findings.blinded(t_ns, t_ns, silence(node.name, node.last_ns or 0), node.name)

    def available(self, t_ns: int, rule: SignalRule) -> None:
        """The signal has a value again, and it can be read."""
        self.unavailable.discard(rule.signal)
        self._judge.heed(rule, t_ns)

    def unreadable(self, t_ns: int, reading: Reading) -> None:
        """A frame that is the box's by its identifier and cannot be read: its signals are not seen."""
        bad = reading.undecodable
        assert bad
        if bad.kind != "range":
            self.bus.uncounted(reading.message)
        for signal in bad.signals:
            self.unavailable.add(signal)
            self._judge.ignore(signal)
        self._findings.doubt(reading.node, f"{bad.message} cannot be read: {bad.reason}", t_ns)

    def overdue(self, found: Found) -> Message | None:
        """The message that should have shown a signal and did not come when it was due."""
        message = self.bus.messages.get(self._message_of.get(found.signal, ""))
        if message is None or not message.cycle_ns:
            return None
        if message.last_ns is None:
            return None if self._complete else message
        late = found.t_ns - message.last_ns > message.cycle_ns + 2 * self._jitter_ns + LATE_NS
        return message if late else None

    def message_missing(self, message: Message, t_ns: int, *, complete: bool) -> None:
        """A message did not come: the box's fault, if the link would have told of its own losses."""
        if complete:
            self._message_missing(message, t_ns)
            return
        none = f"no {message.name}"
        if message.last_ns is not None:
            none += f" for {milliseconds(t_ns - message.last_ns)}"
        why = f"{none}, and this link cannot prove that it lost none"
        self._findings.doubt(message.node, why, t_ns)

    # ---- what the bus watch tells
    def _message_missing(self, message: Message, t_ns: int) -> None:
        since = milliseconds(t_ns - (message.last_ns or 0))
        cluster_of = self._judge.cluster_of
        subjects = [s.partition(":")[2] for s in message.signals]
        clusters = tuple(sorted({cluster_of[s] for s in subjects if s in cluster_of}))
        self._findings.of_box(
            "frame_missing",
            message.node,
            t_ns,
            f"{message.name} each {milliseconds(message.cycle_ns)}",
            f"none for {since}, though the box is alive",
            message.name,
            self.frame_index,
            clusters,
            message.last_ns,
            leans_on_all=not self._complete,
        )
        self._judge.lose(clusters, t_ns)

    def _node_silent(self, node: Node, t_ns: int) -> None:
        since = node.last_ns or 0
        self._blind_from(since, t_ns, silence(node.name, since), node.name)
        self._judge.mute(node.name, self._needing[node.name], t_ns, muted=True)
        self._judge.lose(self._needing[node.name], t_ns)

    def _node_back(self, node: Node, t_ns: int) -> None:
        why = f"box {node.name} was heard again after a silence"
        self._findings.blinded(t_ns - 200 * MS, t_ns, why, node.name)
        self._judge.mute(node.name, self._needing[node.name], t_ns, muted=False)
        self._judge.lose(self._needing[node.name], t_ns)

    def _counter_gap(self, message: Message, t_ns: int, count: int) -> None:
        frames = "frame" if count == 1 else "frames"
        seen = f"{count} {frames} of {message.name} not seen"
        since = t_ns - (count + 1) * message.cycle_ns - LATE_NS
        if self._complete:
            self._findings.of_box(
                "counter", message.node, t_ns, "no gap in its counter", seen, message.name, self.frame_index,
                since_ns=since,
            )  # fmt: skip
        else:
            self._findings.lossy(seen)
            self._findings.blinded(since, t_ns, seen, message.node)
            self._judge.blinded(since, t_ns)

    def _unproved(self, message: Message, since_ns: int, t_ns: int) -> None:
        if not self._complete:
            why = f"{message.name} came late after {message.node} booted, so one before it may be missing"
            self._findings.late(since_ns, t_ns, why)

    def _counter_stuck(self, message: Message, t_ns: int) -> None:
        seen = f"{message.name} repeats {message.counter}"
        self._findings.of_box(
            "counter", message.node, t_ns, "a counter that counts", seen, message.name, self.frame_index
        )

    def _repeated(self, message: Message, t_ns: int) -> None:
        seen = f"{message.name} came twice {message.repeats} times"
        if not self._own_session:
            why = f"{seen}: sent so by the box, or written so by the logger"
            self._findings.doubt(message.node, why, t_ns)
            return
        self._findings.of_box(
            "counter",
            message.node,
            t_ns,
            "each frame once",
            seen,
            "repeat",
            self.frame_index,
        )
