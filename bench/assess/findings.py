"""What was found, and what must not be called a finding because the bench could not see."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable, Iterable
from typing import NamedTuple

from bench.core.entry import Answered, Asked
from bench.core.model import Model
from bench.core.verdict import Deviation, Doubt
from bench.judge.found import Found
from bench.judge.rules import MS

from .agenda import FOREVER, Agenda
from .blind import Blindness
from .fold import Folder, Mark
from .stimulus import Stimulus

HOLD_NS = 200 * MS  # what would excuse a deviation may be told this much later, or as `hold_ns` says
OF_CIRCUITS = ("state", "level", "current")
IDLE_TIMES = 2  # a key that switches on and off in turn was pressed in both states
Between = Callable[[int, int], list[Stimulus]]


class Suspect(NamedTuple):
    """A deviation that is not decided yet. `since_ns`: begin of the window judged."""

    since_ns: int
    deviation: Deviation
    mark: Mark
    leans_on: tuple[Stimulus, ...] = ()  # stimuli that were not confirmed yet
    certain: bool = False  # only the supply can excuse it
    leans_on_all: bool = False  # where any frame was lost, others may be whose loss would explain it
    nodes: tuple[str, ...] = ()  # whose keys could explain it


class Findings:
    """Deviations, folded; doubts, each said once; stretches of blindness."""

    def __init__(self, model: Model, agenda: Agenda) -> None:
        self._model = model
        self._agenda = agenda
        self.folder = Folder()
        self.doubts: list[Doubt] = []
        self._blind = Blindness()
        self._uncounted: dict[str, Blindness] = {}  # node -> when its keys may not have been seen
        self.loss = ""  # the first proof that frames are missing in the recording
        self.key_spans: dict[str, tuple[int, int]] = {}  # node -> between which instants its keys are counted
        self.leaders: dict[str, tuple[str, ...]] = {}  # circuit -> those that a rule lets it follow
        self.grace_ns = 0  # longest deadline of any signal
        self.shift_ns = 0  # how much earlier than their stamps stimuli are taken
        self.hold_ns = HOLD_NS  # by then a box that has fallen silent is known to be silent
        self.supply_watched = False  # then what a supply may have caused is held until that is known
        self._supply_bad: tuple[int, str] | None = None  # since when and why
        self.overloaded: dict[int, str] = {}  # cluster -> circuit that may still be overloaded by a person
        self._moving: list[tuple[int, int, str]] = []  # stretches in which the bench moved the supply
        self._from_ns = -(1 << 62)
        self._said: set[tuple[str, str]] = set()
        self._suspects: deque[Suspect] = deque()

    def hold_all(self) -> None:
        """Decide nothing before the end: what excuses a deviation may be told at any time."""
        self.hold_ns = FOREVER

    def doubt(self, subject: str, reason: str, t_ns: int) -> None:
        """Something could not be seen, sent, decoded or timed."""
        if t_ns >= self._from_ns and (subject, reason) not in self._said:
            self._said.add((subject, reason))
            self.doubts.append(Doubt(t_ns, subject, reason))

    def start_from(self, t_ns: int) -> None:
        """What was found before is no matter of this judging, nor what began before."""
        self._from_ns = t_ns
        self.folder = Folder()
        self.doubts.clear()
        self._said.clear()
        self._suspects.clear()

    def blinded(self, since_ns: int, until_ns: int, why: str, subject: str = "link") -> None:
        """Nothing judged over [since, until] may be called a discrepancy, and what happened in it is
        not known."""
        self.late(since_ns, until_ns, why)
        self.doubt(subject, why, until_ns)

    def late(self, since_ns: int, until_ns: int, why: str) -> None:
        """Nothing judged over [since, until] may be called a discrepancy, but nothing was lost."""
        self._blind.add(since_ns, until_ns, why)

    def excuse(self, node: str, since_ns: int, until_ns: int, why: str) -> None:
        """Nothing that keys of a node would explain, judged over [since, until], may be called a discrepancy;
        what was shown then counts."""
        self._uncounted.setdefault(node, Blindness()).add(since_ns, until_ns, why)

    def lossy(self, why: str) -> None:
        """A counter proves that frames are missing."""
        self.loss = self.loss or why

    def blind_over(self, since_ns: int, until_ns: int) -> str:
        """Why the bench was blind somewhere in [since, until]; empty when it was not."""
        return self._blind.over(since_ns, until_ns)

    def of_box(
        self,
        kind: str,
        box: str,
        t_ns: int,
        expected: str,
        seen: str,
        key: str,
        frame_index: int | None,
        clusters: tuple[int, ...] = (),
        since_ns: int | None = None,
        certain: bool = False,
        leans_on_all: bool = False,
    ) -> None:
        """A deviation of a box as a whole, judged over [since, t]; `key` keeps repeats together.
        `certain`: a frame that was seen proves it, whatever was not seen; `leans_on_all`: it is none where
        frames are missing in the recording."""
        deviation = Deviation(
            kind, f"box:{box}", box, t_ns, expected, seen, "", None, "", None, frame_index, self.evidence()
        )
        mark = Mark(clusters=clusters, key=key, box=box)
        if (t_ns if since_ns is None else since_ns) < self._from_ns:
            return
        if certain and not self.supply_watched:
            self.folder.add(deviation, mark)
            return
        since_ns = t_ns if since_ns is None else since_ns
        self._suspect(Suspect(since_ns, deviation, mark, certain=certain, leans_on_all=leans_on_all))

    def of_signal(
        self,
        found: Found,
        stimulus: Stimulus | None,
        recent: list[Stimulus],
        box: str,
        frame_index: int | None,
        leans_on: tuple[Stimulus, ...] = (),
        nodes: tuple[str, ...] = (),
        before: Iterable[Stimulus] = (),
        between: Between = lambda _, __: [],
    ) -> None:
        """A deviation of one signal. `stimulus`: the last one that reached its cluster; `before`: it and
        those before it, latest first; `recent`: all that may still be at work, for what changed without a
        cause of its own; `between`: all from one instant to another. `frame_index`: the latest frame that
        showed the signal. `leans_on`: stimuli of which it is not known yet whether they reached the box.
        `nodes`: whose keys, unseen, would explain it.
        """
        if found.since_ns < self._from_ns:
            return
        kind, _, subject = found.signal.partition(":")
        if kind == "backlight":
            subject = f"panel {subject}"
        near = stimulus is not None and found.since_ns - stimulus.t_ns <= 3 * self.grace_ns
        new = [] if near or found.kind == "current" else recent
        if not near and stimulus is not None and kind in OF_CIRCUITS:
            stimulus = self._worked({subject, *self.leaders.get(subject, ())}, stimulus, before)
            new = _without_idle(new, stimulus, between)
        if new:
            stimulus = new[-1]
        is_cause = near or bool(new)
        causes = tuple(s.number for s in recent) if not near else (found.cause,)
        if found.kind == "current":
            causes = ()
        control = stimulus.name if stimulus and stimulus.kind in ("press", "release") else ""
        deviation = Deviation(
            kind=found.kind,
            signal=found.signal,
            subject=subject,
            t_ns=found.t_ns,
            expected=found.expected,
            seen=found.seen,
            cause=stimulus.words_in_full() if stimulus else "nothing was done",
            cause_t_ns=stimulus.t_ns + self.shift_ns if stimulus else None,
            cause_control=control,
            step=stimulus.step if stimulus else None,
            frame_index=frame_index,
            evidence=self.evidence(),
        )
        mark = Mark(
            clusters=found.clusters,
            causes=causes,
            control=control if found.kind != "current" and is_cause else "",
            box=box,
            targeted=bool(control and is_cause) and subject in self._model.targets(control),
            leaders=self.leaders.get(subject, ()),
            amps=found.amps,
        )
        self._suspect(Suspect(found.since_ns - self.grace_ns, deviation, mark, leans_on, nodes=nodes))

    def _worked(self, circuits: set[str], last: Stimulus, before: Iterable[Stimulus]) -> Stimulus:
        """What a circuit did by itself, long after `last`, is put down to what worked it last, such as the
        key that started its timer, and not to a key of others that hang together with it."""
        for stimulus in before:
            if set(last.clusters).isdisjoint(stimulus.clusters):
                continue
            is_key = stimulus.kind in ("press", "release")
            if not is_key or not circuits.isdisjoint(self._model.targets(stimulus.name)):
                return stimulus
        return last

    def of_person(
        self, asked: Asked, mark: Answered, expected: str, seen: str, clusters: tuple[int, ...]
    ) -> None:
        """What a person saw otherwise, some time between question and answer."""
        said = f"a person, who looked twice{f': {mark.comment}' if mark.comment else ''}"
        deviation = Deviation(
            "seen", f"look:{asked.name}", asked.name, mark.t_ns, expected, seen,
            f"question {asked.number} to a person", asked.t_ns, evidence=said,
        )  # fmt: skip
        if asked.t_ns >= self._from_ns:
            self._suspect(Suspect(asked.t_ns, deviation, Mark(clusters=clusters)))

    def _suspect(self, suspect: Suspect) -> None:
        self._suspects.append(suspect)
        self._agenda.by(suspect.deviation.t_ns + self.hold_ns + 1)

    def supply_bad(self, since_ns: int, until_ns: int, why: str) -> None:
        """From `since_ns` on for good the supply may have caused whatever a box did."""
        self._supply_bad = (since_ns, why)
        self.blinded(since_ns, until_ns, why, "bench")

    def supply_moves(self, since_ns: int, why: str) -> None:
        """From here on the bench moves the supply's voltage, which may cause whatever a box does."""
        self.supply_stands(since_ns)
        self._moving.append((since_ns, FOREVER, why))

    def supply_stands(self, until_ns: int) -> None:
        """It is where it was to be, and the boxes had time to follow."""
        if self._moving and self._moving[-1][1] == FOREVER:
            self._moving[-1] = self._moving[-1][0], until_ns, self._moving[-1][2]

    def _supply_over(self, since_ns: int, until_ns: int) -> str:
        """Why the supply may be the cause of what was judged over [since, until]; empty when it is not."""
        if self._supply_bad is not None and until_ns >= self._supply_bad[0]:
            return self._supply_bad[1]
        return next((why for a, b, why in self._moving if a <= until_ns and since_ns <= b), "")

    def decide(self, t_ns: int | None = None) -> None:
        """Whatever nothing can excuse any more by `t_ns` (None: the end) is a discrepancy."""
        suspects = self._suspects
        while suspects:
            since_ns, deviation, mark, leans_on, certain, _, _ = suspect = suspects[0]
            waits = any(s.unconfirmed for s in leans_on)
            if t_ns is not None and (waits or t_ns <= deviation.t_ns + self.hold_ns):
                self._agenda.by(max(t_ns, deviation.t_ns + self.hold_ns) + 1)
                return
            suspects.popleft()
            of_box = deviation.signal.startswith("box:")  # its signals are not judged while the supply moves
            blind = self._supply_over(since_ns, deviation.t_ns) if of_box else ""
            still = next((self.overloaded[i] for i in mark.clusters if i in self.overloaded), None)
            if not certain:
                blind = self.blind_over(since_ns, deviation.t_ns) or blind
            unsure = next((s for s in leans_on if s.doubt or s.unconfirmed), None)
            if unsure is not None:
                why = unsure.doubt or "the link never confirmed it"
                self.doubt(deviation.subject, unsent(unsure, why), deviation.t_ns)
            elif still is not None:
                why = "its box reports that it tripped again: is the overload still there?"
                self.doubt(still, why, deviation.t_ns)
            elif blind:
                self.doubt(deviation.subject, unseen(blind, deviation.signal), deviation.t_ns)
            elif why := self._may_be_lost(suspect):
                self.doubt(deviation.subject, why, deviation.t_ns)
            else:
                self.folder.add(deviation, mark)

    def _may_be_lost(self, suspect: Suspect) -> str:
        """Why frames that are not here may explain it; empty when they cannot."""
        since_ns, t_ns, signal = suspect.since_ns, suspect.deviation.t_ns, suspect.deviation.signal
        if suspect.certain:
            return ""
        if suspect.leans_on_all and self.loss:
            return f"{suspect.deviation.expected}: {suspect.deviation.seen}, but {self.loss}"
        for node in suspect.nodes:
            if node in self._uncounted and (why := self._uncounted[node].over(since_ns, t_ns)):
                return unseen(why, signal)
            if not self.loss:
                continue
            first_ns, last_ns = self.key_spans.get(node, (FOREVER, -FOREVER))
            if not first_ns <= since_ns or not t_ns <= last_ns:
                return f"{self.loss}, and others of {node} may be missing too, while {signal} was judged"
        return ""

    def evidence(self) -> str:
        """How sure the bench is of its own eyes, in words."""
        last = self._blind.last
        if last is None:
            return "no frame known to be lost before it"
        return f"last doubt about the bench's own eyes at {last.until_ns / 1e9:.3f} s: {last.why}"


def _without_idle(recent: list[Stimulus], worked: Stimulus, between: Between) -> list[Stimulus]:
    """Those that may be to blame for what a circuit did since it was worked last: what was done several times
    meanwhile, and did nothing to it, is not."""
    if not recent:
        return recent
    times = Counter((s.kind, s.name, s.value) for s in between(worked.t_ns + 1, recent[0].t_ns - 1))
    return [s for s in recent if times[s.kind, s.name, s.value] < IDLE_TIMES]


def unsent(stimulus: Stimulus, why: str) -> str:
    """Words for a stimulus that may have had no effect."""
    return f"{stimulus.words()} may not have reached the box: {why}"


def unseen(blind: str, signal: str) -> str:
    """Words for what was judged while the bench could not see."""
    return f"{blind}, while {signal} was judged"


def silence(box: str, since_ns: int) -> str:
    """Words for a box that is not heard."""
    return f"nothing was heard of box {box} from {since_ns / 1e9:.3f} s on"


def milliseconds(span_ns: int) -> str:
    """`104 ms`."""
    return f"{span_ns / MS:.0f} ms"
