"""What a session shows, without judging it: stimuli, changes of every signal, readings of currents."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from bench.compare.gaps import Gaps
from bench.core import event as ev
from bench.core.entry import AdapterLate, Dropped, Entry, HostLate, LinkLost, Refused, Started, SupplySwitched
from bench.core.frame import TX, Frame
from bench.core.model import Model
from bench.definitions import Definitions, Reading
from bench.session import Session
from bench.session.early import causes_first, numbered
from bench.spec.model import Spec

MS = 1_000_000
FOREIGN_JITTER_MS = 20.0  # assumed of a recording that brings no evidence of its own, as `judge` does
BLIND_BEFORE_NS = 200 * MS  # a loss may be noticed this long after it happened
SILENT_NS = 1000 * MS  # a box that sends nothing at all for so long is not heard
WATCHED = ("state", "level", "fault", "lamp", "backlight")


@dataclass(slots=True)
class Stimulus:
    """One cause found in a recording. `reached`: clusters it may change, by the spec.

    `doubt`: why it may not have reached the box; empty when nothing speaks against it.
    """

    t_ns: int
    kind: str
    name: str
    value: int
    reached: frozenset[int]
    doubt: str = ""

    @property
    def key(self) -> tuple[str, str, int]:
        """What makes two stimuli the same."""
        return self.kind, self.name, self.value

    def words(self) -> str:
        """`panel helm 1 pressed`."""
        what = {
            ev.PRESS: "pressed",
            ev.RELEASE: "released",
            ev.SENSOR: "active" if self.value else "at rest",
            ev.SUPPLY: f"supply switched {'on' if self.value else 'off'}",
            ev.WAKE: "told to wake",
        }[self.kind]
        return f"{self.name} {what}"


@dataclass(slots=True)
class Course:
    """A signal's changes: instants in ns and values in its unit; the first is where it was first seen.

    `since_ns`: for each change, the frame of the same message before the one that showed it (empty: not
    known). `absent`: how often it was reported as not available.
    """

    t_ns: list[int] = field(default_factory=list)
    values: list[float] = field(default_factory=list)
    absent: int = 0
    since_ns: list[int] = field(default_factory=list)

    def at(self, t_ns: int) -> float | None:
        """The value shown latest at that instant; None before the first."""
        k = bisect_right(self.t_ns, t_ns)
        return self.values[k - 1] if k else None

    def between(self, from_ns: int, to_ns: int) -> Iterator[tuple[int, float]]:
        """Changes of (from, to]."""
        lo, hi = bisect_right(self.t_ns, from_ns), bisect_right(self.t_ns, to_ns)
        return zip(self.t_ns[lo:hi], self.values[lo:hi], strict=True)


@dataclass(slots=True)
class Record:
    """One session as it is compared. Instants in nanoseconds of its own clock.

    `readings`: circuit -> instants and amperes of every current report, also those that repeat.
    `blind`: stretches in which something may have been lost. `silent`: box -> stretches in which nothing of
    it was heard though it had its supply. `doubts`: why little can be said.
    """

    name: str
    spec: Spec
    model: Model
    stimuli: list[Stimulus] = field(default_factory=list)
    courses: dict[str, Course] = field(default_factory=dict)
    readings: dict[str, tuple[list[int], list[float]]] = field(default_factory=dict)
    blind: list[tuple[int, int]] = field(default_factory=list)
    silent: dict[str, list[tuple[int, int]]] = field(default_factory=dict)
    doubts: list[str] = field(default_factory=list)
    identity: dict[str, str] = field(default_factory=dict)
    jitter_ms: float = FOREIGN_JITTER_MS
    start_ns: int = 0
    end_ns: int = 0

    def is_blind(self, from_ns: int, to_ns: int) -> bool:
        """Whether anything in this stretch may have been lost."""
        return any(a <= to_ns and b >= from_ns for a, b in self.blind)

    def is_silent(self, box: str, from_ns: int, to_ns: int) -> bool:
        """Whether the box was silent in part of this stretch."""
        return any(a <= to_ns and b >= from_ns for a, b in self.silent.get(box, ()))


def observe(session: Session, spec: Spec, definitions: Definitions, model: Model, name: str) -> Record:
    """Reads a whole recording. Memory grows with its changes and current readings.

    Raises: BenchError when the disk fails.
    """
    definitions.forget()
    watch = _Watch(Record(name, spec, model), definitions, own=bool(session.header))
    own = bool(session.header) or session.path.is_dir()
    numbers = numbered(session.entries())
    told = numbers if own else causes_first(numbers, definitions, round(FOREIGN_JITTER_MS * MS))
    for entry, _ in told:
        watch.feed(entry)
    watch.close()
    record = watch.record
    if not own and session.step_back_ns > FOREIGN_JITTER_MS * MS:
        record.doubts.append(f"stamps run backwards by up to {session.step_back_ns / 1e6:.0f} ms")
        record.blind.append((0, 1 << 62))
    if session.bad_count:
        record.doubts.append(f"{session.bad_count} lines of the recording cannot be read")
    if session.cut:
        record.doubts.append(f"the recording was cut: {session.cut}")
    return record


class _Watch:
    """Takes entries in order and fills a record."""

    def __init__(self, record: Record, definitions: Definitions, *, own: bool) -> None:
        self.record, self._definitions = record, definitions
        self._started = not own
        self._own = own
        self._reach = _reach(record.spec, record.model)
        self._counters: dict[str, int] = {}
        self._held: set[str] = set()
        self._sensors: dict[str, int] = {}
        self._repeats = any(b.repeated_counter == "new_event" for b in record.spec.boxes.values())
        self._sent: list[list[Stimulus]] = []
        self._bodies: dict[str, object] = {}
        self._latest: dict[str, int] = {}  # message -> its latest frame
        self._heard: dict[str, int] = {}  # box -> until when its silence is explained
        self._ever: set[str] = set()  # boxes heard at all
        self._off: dict[str, int] = {}  # box that need not be heard -> since when
        self._booted: dict[str, int] = {}
        self._unreadable: dict[str, int] = {}
        self._gaps = Gaps(definitions)
        self._missing = 0

    def feed(self, entry: Entry) -> None:
        """One entry."""
        record = self.record
        if isinstance(entry, Frame):
            if not record.start_ns:
                record.start_ns = entry.t_ns
            record.end_ns = entry.t_ns
            self._frame(entry)
        elif isinstance(entry, Started):
            self._started = True
            record.jitter_ms, record.start_ns = entry.jitter_ms, entry.t_ns
        elif isinstance(entry, SupplySwitched):
            self._add(entry.t_ns, ev.SUPPLY, entry.box, entry.on)
            self._supply(entry)
        elif isinstance(entry, Dropped):
            record.blind.append((entry.t_ns - BLIND_BEFORE_NS, entry.t_ns))
        elif isinstance(entry, HostLate | AdapterLate):
            record.blind.append((entry.t_ns - round(entry.late_ms * MS), entry.t_ns))
        elif isinstance(entry, LinkLost):
            record.doubts.append(f"the link was lost: {entry.reason}")
            record.blind.append((entry.t_ns, 1 << 62))
        elif isinstance(entry, Refused) and entry.tag < len(self._sent):
            for stimulus in self._sent[entry.tag]:
                stimulus.doubt = f"the link refused it: {entry.reason}"

    def close(self) -> None:
        """After the last entry."""
        if not self._started:
            self.record.doubts.append("judging was never started in it")
        for box in self.record.spec.boxes:
            if box not in self._ever:
                self.record.doubts.append(f"nothing was heard of box {box}")
            self._listen(box, self.record.end_ns)
            if box in self.record.silent:
                self.record.doubts.append(f"box {box} was silent for a while")
        if self._missing:
            self.record.doubts.append(f"frames are missing in {self._missing} places, as counters show")
        for message, count in self._unreadable.items():
            self.record.doubts.append(f"{count} frames of {message} cannot be read")

    def _add(self, t_ns: int, kind: str, name: str, value: int) -> Stimulus:
        reached = self._reach.get((kind, name), frozenset())
        stimulus = Stimulus(t_ns, kind, name, value, reached)
        self.record.stimuli.append(stimulus)
        return stimulus

    def _frame(self, frame: Frame) -> None:
        sent: list[Stimulus] = []
        if frame.direction == TX:
            self._sent.append(sent)
        reading = self._definitions.decode(frame)
        if reading is None:
            return
        if reading.undecodable is not None:
            self._unreadable[reading.message] = self._unreadable.get(reading.message, 0) + 1
            self.record.blind.append((frame.t_ns, frame.t_ns))
        if not self._own and (since_ns := self._gaps.since(frame.t_ns, reading)) is not None:
            self._missing += 1
            self.record.blind.append((since_ns - BLIND_BEFORE_NS, frame.t_ns))
        if reading.undecodable is not None:
            return
        if reading.is_control:
            sent += self._controls(frame.t_ns, reading)
        else:
            self._report(frame.t_ns, reading)

    def _controls(self, t_ns: int, reading: Reading) -> Iterator[Stimulus]:
        for kind, name, value, counter in reading.events:
            if kind == ev.SENSOR:
                if self._sensors.get(name) == value:
                    continue
                is_first = name not in self._sensors
                self._sensors[name] = value
                if is_first and not value:
                    continue  # the bench says at the start how the sensor stands
            elif kind in (ev.PRESS, ev.RELEASE):
                if not self._is_news(reading.node, kind, name, counter):
                    continue
                if kind == ev.RELEASE and not self.record.courses and name not in self._held:
                    continue  # how the bench greets a box that is still dark
                (self._held.add if kind == ev.PRESS else self._held.discard)(name)
            elif kind == ev.WAKE:
                self._wakes(name, t_ns)
            yield self._add(t_ns, kind, name, value if kind == ev.SENSOR else 1)

    def _is_news(self, node: str, kind: str, name: str, counter: int | None) -> bool:
        if counter is None:  # keys sent as levels: the same level again is no event
            return (kind == ev.PRESS) != (name in self._held)
        repeated = self._counters.get(node) == counter
        self._counters[node] = counter
        return not repeated or self._repeats

    def _report(self, t_ns: int, reading: Reading) -> None:
        record = self.record
        self._hear(reading.node, t_ns)
        same = self._bodies.get(reading.message) is reading.body
        since_ns = self._latest.get(reading.message, t_ns)
        self._latest[reading.message] = t_ns
        self._bodies[reading.message] = reading.body
        for signal, value, _, reason in reading.body:
            kind, _, subject = signal.partition(":")
            if kind == "current":
                if value is not None:
                    times, amps = record.readings.setdefault(subject, ([], []))
                    times.append(t_ns)
                    amps.append(value)
            elif kind in WATCHED and not same:
                self._change(t_ns, since_ns, signal, value)
            elif kind == "identity":
                record.identity[subject] = reason
            elif kind == "boot" and t_ns - self._booted.get(subject, -(1 << 62)) > BLIND_BEFORE_NS:
                self._booted[subject] = t_ns
                self._gaps.forget(reading.node)
                boots = record.courses.setdefault(signal, Course())
                boots.t_ns.append(t_ns)
                boots.values.append(value or 0.0)

    def _supply(self, mark: SupplySwitched) -> None:
        if not mark.on:
            self._listen(mark.box, mark.t_ns)
            self._off[mark.box] = mark.t_ns
        elif self.record.spec.boxes[mark.box].wake.by == "supply":
            self._wakes(mark.box, mark.t_ns)

    def _wakes(self, box: str, t_ns: int) -> None:
        """It has as long as the spec gives it to be heard."""
        self._listen(box, t_ns)
        self._off.pop(box, None)
        self._heard[box] = t_ns + round(1000 * self.record.spec.boxes[box].wake.within_s) * MS

    def _hear(self, box: str, t_ns: int) -> None:
        self._listen(box, t_ns)
        self._ever.add(box)
        self._heard[box] = max(t_ns, self._heard.get(box, 0))
        if t_ns - self._off.get(box, t_ns) > BLIND_BEFORE_NS:
            del self._off[box]

    def _listen(self, box: str, t_ns: int) -> None:
        """Notes a silence before `t_ns` that no loss of supply explains."""
        heard_ns = self._heard.get(box, t_ns)
        if t_ns - heard_ns > SILENT_NS and box not in self._off:
            self.record.silent.setdefault(box, []).append((heard_ns, t_ns))

    def _change(self, t_ns: int, since_ns: int, signal: str, value: float | None) -> None:
        course = self.record.courses.setdefault(signal, Course())
        if value is None:
            course.absent += 1
        elif not course.values or course.values[-1] != value:
            course.t_ns.append(t_ns)
            course.values.append(value)
            course.since_ns.append(since_ns)


def _reach(spec: Spec, model: Model) -> Mapping[tuple[str, str], frozenset[int]]:
    """(kind, name) of a stimulus -> clusters it may change."""
    cluster_of = {c: k for k, names in enumerate(model.clusters) for c in names}
    out: dict[tuple[str, str], frozenset[int]] = {}
    for control in spec.controls:
        reached = frozenset(cluster_of[c] for c in model.targets(control))
        out[ev.PRESS, control] = out[ev.RELEASE, control] = reached
    for force in spec.forces:
        key = ev.SENSOR, force.sensor
        out[key] = out.get(key, frozenset()) | {cluster_of[force.circuit]}
    for box in spec.boxes:
        own = frozenset(cluster_of[c.name] for c in spec.circuits.values() if c.box == box)
        out[ev.SUPPLY, box] = out[ev.WAKE, box] = own
    return out
