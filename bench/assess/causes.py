"""Stimuli out of the stream: keys, sensors, supply and wake-ups, and whether they reached the box."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping

from bench.core import event as ev
from bench.core.entry import Confirmed, Refused, StepMark
from bench.core.event import Event
from bench.definitions import Reading
from bench.judge import Judge
from bench.judge.rules import MS

from .agenda import Agenda
from .findings import Findings, milliseconds
from .stimulus import Stimulus

CONFIRM_WITHIN_NS = 1000 * MS
AT_THE_END_NS = 200 * MS  # the same where nothing more will come
LOOKED_BACK = 10_000  # stimuli, for what worked a circuit last: minutes at a bench's pace


class Causes:
    """Numbers every stimulus, applies it to the judge and remembers which are still unfolding.

    `shown_ns`: after so long its effects should be shown, where no frame is lost. `repeats_count`: a repeated
    event counter is a new event (the spec's option).
    """

    def __init__(
        self,
        judge: Judge,
        findings: Findings,
        jitter_ns: int,
        shown_ns: int,
        agenda: Agenda,
        *,
        repeats_count: bool,
    ) -> None:
        self._agenda, self._shown_ns = agenda, shown_ns
        self._judge = judge
        self._findings = findings
        self._jitter_ns = jitter_ns
        self._repeats_count = repeats_count
        self.all: list[Stimulus] = []
        self.pending: deque[Stimulus] = deque()
        self.step: StepMark | None = None
        self.confirms = False
        self._counters: dict[str, set[int]] = {}  # node -> what its box may have seen last
        self._maybe_down: set[str] = set()  # controls whose release may not have reached the box
        self._wakes: dict[int, list[str]] = {}  # sent frame -> boxes it wakes
        self.maybe_called: set[str] = set()  # boxes whose wake message may not have reached them
        self._sent_by: dict[int, tuple[str, set[int]]] = {}  # sent frame -> node, and that before it
        self._held: set[str] = set()
        self._held_over: dict[str, set[str]] = {}  # not heard since its box woke -> keys down in it then
        self._sensors: dict[str, int] = {}
        self._latest: dict[str, tuple[int, int, str]] = {}  # node -> counter, instant, words of its last key
        self._awaiting: dict[int, Stimulus] = {}

    def of_frame(self, t_ns: int, reading: Reading, frame_index: int, tag: int | None) -> list[str]:
        """Stimuli in one control frame, the `tag`-th sent one (None: not sent by us). Returns the
        boxes it asks to wake."""
        asked = []
        held = self._held_over.pop(reading.message, None) if self._held_over else None
        if held:
            self._still_down(t_ns, reading, held, frame_index)
        for kind, name, value, counter in reading.events:
            if kind in (ev.PRESS, ev.RELEASE):
                maybe = self._counters.get(reading.node, set())
                if tag is not None and self.confirms:
                    self._sent_by[tag] = reading.node, maybe
                if not self._is_news(reading.node, kind, name, counter):
                    continue
                (self._held.add if kind == ev.PRESS else self._held.discard)(name)
                event = Event(t_ns, kind, name, int(kind == ev.PRESS))
                maybe_none = held is not None and kind == ev.PRESS
                stimulus = self._from_frame(event, frame_index, tag, maybe=maybe_none)
                if counter in maybe and not self._repeats_count:
                    self._mistrust(stimulus, "the box may have taken it for a repetition", t_ns)
                elif kind == ev.PRESS and name in self._maybe_down:
                    self._mistrust(stimulus, "the box may have taken the key as held already", t_ns)
                elif kind == ev.RELEASE:
                    self._maybe_down.discard(name)
            elif kind == ev.SENSOR:
                if self._sensors.get(name) != value:
                    self._sensors[name] = value
                    self._from_frame(Event(t_ns, kind, name, value), frame_index, tag)
            elif kind == ev.WAKE:
                asked.append(name)
        if asked and tag is not None and self.confirms:
            self._wakes[tag] = asked
            self.maybe_called.update(asked)
        return asked

    def missed(self, t_ns: int, reading: Reading, bits: int) -> tuple[int | None, int]:
        """How many keys of the node were not seen before this one, going by its counter of `bits` bits (None:
        it began anew, and nobody can tell); and since when."""
        count: int | None
        count, since_ns = 0, t_ns
        for kind, name, _, counter in reading.events:
            if counter is None:
                continue
            words = f"{name} {kind}"
            before, since_ns, last = self._latest.get(reading.node, (counter, t_ns, words))
            step = (counter - before) % (1 << bits)
            count = step - 1 if 0 < step <= 1 << (bits - 1) else None
            if step == 0 and words == last:
                count = 0
            elif step == 0:  # so it is no repetition
                self._counters.pop(reading.node, None)
            self._latest[reading.node] = counter, t_ns, words
            first_ns, _ = self._findings.key_spans.get(reading.node, (t_ns, t_ns))
            self._findings.key_spans[reading.node] = first_ns, t_ns
        return count, since_ns

    def woke(self, keys: Mapping[str, str]) -> None:
        """A box woke that these keys belong to, which are sent as levels: key -> message. Whether it takes
        one that is down in the first frame that it hears for a press is not agreed."""
        for key, message in keys.items():
            held = self._held_over.setdefault(message, set())
            if key in self._held:
                held.add(key)

    def _still_down(self, t_ns: int, reading: Reading, held: set[str], frame_index: int) -> None:
        told = {name for _, name, _, _ in reading.events}
        for key in sorted(held - told):
            self.apply(Event(t_ns, ev.PRESS, key, 1), t_ns, frame_index, maybe=True)

    def _is_news(self, node: str, kind: str, name: str, counter: int | None) -> bool:
        if counter is None:  # keys sent as levels: the same level again is no event
            return (kind == ev.PRESS) != (name in self._held)
        repeated = self._counters.get(node) == {counter}
        self._counters[node] = {counter}
        return not repeated or self._repeats_count

    def _from_frame(
        self, event: Event, frame_index: int, tag: int | None, *, maybe: bool = False
    ) -> Stimulus:
        stimulus = self.apply(event, event.t_ns, frame_index, maybe=maybe)
        if tag is not None and self.confirms:
            self._awaiting[tag] = stimulus
            stimulus.unconfirmed = True
            self._agenda.by(stimulus.t_ns + CONFIRM_WITHIN_NS + 1)
        return stimulus

    def apply(
        self, event: Event, earliest_ns: int, frame_index: int | None = None, more_ns: int = 0,
        *, maybe: bool = False,
    ) -> Stimulus:  # fmt: skip
        """An event at an instant in [earliest_ns, event.t_ns]; its effects may take `more_ns` longer
        to show than those of others. `maybe`: it may not have happened."""
        stimulus = Stimulus(len(self.all) + 1, event.t_ns, event.kind, event.name, event.value)
        if self.step is not None:
            stimulus.step, stimulus.about = self.step.step, self.step.about
        stimulus.frame_index, stimulus.maybe = frame_index, maybe
        stimulus.due_ns = event.t_ns + self._shown_ns + more_ns
        self.all.append(stimulus)
        stimulus.clusters = self._judge.event(event, earliest_ns, stimulus.number, maybe=maybe)
        if event.kind == ev.PRESS:
            self._judge.hold(event.name, stimulus.clusters)
        elif event.kind == ev.RELEASE:
            self._judge.let_go(event.name, event.t_ns)
        place = len(self.pending)
        while place and self.pending[place - 1].due_ns > stimulus.due_ns:
            place -= 1
        self.pending.insert(place, stimulus)
        self._agenda.by(self.pending[0].due_ns + 1)
        return stimulus

    def by_person(self, event: Event) -> Stimulus:
        """What a person did, all of which should be shown by now; its clusters are told by the judge."""
        stimulus = Stimulus(len(self.all) + 1, event.t_ns, event.kind, event.name, event.value)
        if self.step is not None:
            stimulus.step, stimulus.about = self.step.step, self.step.about
        stimulus.due_ns = event.t_ns + self._shown_ns
        self.all.append(stimulus)
        self.pending.append(stimulus)
        self._agenda.by(self.pending[0].due_ns + 1)
        return stimulus

    @property
    def waits(self) -> bool:
        """Whether something has yet to be confirmed, or a key was down as its box woke."""
        return bool(self._awaiting or self._held_over)

    @property
    def held(self) -> frozenset[str]:
        """Controls that are down."""
        return frozenset(self._held)

    def forget(self) -> None:
        """Frames may be missing for long: what was held, and each counter, may have changed unseen."""
        self._counters.clear()
        self._latest.clear()
        self._held.clear()
        self._held_over.clear()
        self._sensors.clear()

    def forget_sensor(self, name: str) -> None:
        """What it says next is news."""
        self._sensors.pop(name, None)

    def before(self, number: int) -> Stimulus | None:
        """The stimulus of that number; None for 0."""
        return self.all[number - 1] if number else None

    def until(self, number: int) -> Iterator[Stimulus]:
        """The stimulus of that number and those before it, latest first, as far back as is worth a look."""
        return (self.all[i] for i in range(number - 1, max(-1, number - 1 - LOOKED_BACK), -1))

    def unconfirmed(self, clusters: tuple[int, ...]) -> tuple[Stimulus, ...]:
        """Stimuli to any of these clusters that the link has not confirmed yet."""
        return tuple(s for s in self._awaiting.values() if not set(clusters).isdisjoint(s.clusters))

    def recent(self, since_ns: int, until_ns: int) -> list[Stimulus]:
        """Stimuli of [since, until], latest last."""
        out: list[Stimulus] = []
        for stimulus in reversed(self.all):
            if stimulus.t_ns < since_ns:
                break
            if stimulus.t_ns <= until_ns:
                out.append(stimulus)
        return out[::-1]

    def sensors_before(self, t_ns: int, names: Iterable[str]) -> dict[str, int]:
        """What these sensors read before an instant; those that had told of nothing are left out."""
        wanted, out = set(names), dict[str, int]()
        for stimulus in reversed(self.all) if wanted else ():
            if stimulus.t_ns < t_ns and stimulus.kind == ev.SENSOR and stimulus.name in wanted:
                out.setdefault(stimulus.name, stimulus.value)
                if len(out) == len(wanted):
                    break
        return out

    def concluded(self, t_ns: int) -> list[Stimulus]:
        """Stimuli whose time is over; each once."""
        out = []
        while self.pending and t_ns > self.pending[0].due_ns:
            out.append(self.pending.popleft())
        if self.pending:
            self._agenda.by(self.pending[0].due_ns + 1)
        return out

    # ---- whether they reached the box
    def confirmed(self, mark: Confirmed) -> None:
        """The link says that a sent frame was on the bus."""
        self.confirms = True
        stimulus = self._awaiting.pop(mark.tag, None)
        self._sent_by.pop(mark.tag, None)
        self.maybe_called.difference_update(self._wakes.pop(mark.tag, ()))
        if stimulus:
            stimulus.unconfirmed = False
        if stimulus and mark.t_ns - stimulus.t_ns > 2 * self._jitter_ns + MS:
            late = milliseconds(mark.t_ns - stimulus.t_ns)
            self._mistrust(stimulus, f"its confirmation took {late}", mark.t_ns)

    def refused(self, mark: Refused) -> None:
        """The link says that a sent frame was not, or perhaps not, on the bus."""
        stimulus = self._awaiting.pop(mark.tag, None)
        self._may_be_unseen(mark.tag)
        if stimulus:
            self._mistrust(stimulus, f"the link refused it: {mark.reason}", mark.t_ns)

    def check_unconfirmed(self, t_ns: int, within_ns: int = CONFIRM_WITHIN_NS) -> None:
        """Sends that a confirming link has never spoken of again."""
        if not self._awaiting:
            return
        self._agenda.by(max(t_ns, min(s.t_ns for s in self._awaiting.values()) + within_ns) + 1)
        for tag, stimulus in list(self._awaiting.items()):
            if stimulus.t_ns < t_ns - within_ns:
                del self._awaiting[tag]
                self._may_be_unseen(tag)
                self._mistrust(stimulus, "the link never confirmed it", t_ns)

    def _may_be_unseen(self, tag: int) -> None:
        """A frame may not have reached the box: the counter before it may be the latest it saw."""
        node, before = self._sent_by.pop(tag, ("", set()))
        self._counters.setdefault(node, set()).update(before)

    def _mistrust(self, stimulus: Stimulus, why: str, t_ns: int) -> None:
        stimulus.doubt, stimulus.unconfirmed = why, False
        if stimulus.kind == ev.RELEASE:
            self._maybe_down.add(stimulus.name)
        self._findings.doubt(stimulus.name, f"{stimulus.words()}: {why}", stimulus.t_ns)
        self._judge.lose(stimulus.clusters, t_ns)
