"""What every report is made from: a verdict, the facts of the session, frames around the evidence."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace

from bench.core.entry import Answered, Asked, Entry, StepMark
from bench.core.frame import Frame
from bench.core.look import LABEL
from bench.core.verdict import Deviation, Verdict

FRAMES_BEFORE, FRAMES_AFTER = 6, 3


@dataclass(frozen=True, slots=True)
class FrameLine:
    """One frame of an excerpt. `text` as candump writes it; `means` in words, empty when unknown."""

    index: int
    t_ns: int
    direction: str
    text: str
    means: str = ""
    is_evidence: bool = False


@dataclass(frozen=True, slots=True)
class Question:
    """What a person was asked, and what became of it: `answer` as in core.entry.Answered, or `read`,
    or `unanswered`."""

    number: int
    t_ns: int
    text: str
    answer: str
    answered_ns: int | None = None
    comment: str = ""
    is_read: bool = False  # the comment is what was read

    @property
    def words(self) -> str:
        """`yes`, `skipped (it is screwed down)` ..."""
        word = ANSWERS.get(self.answer, self.answer)
        return f"{word} ({self.comment})" if self.comment else word


ANSWERS = {
    "done": "yes", "not_so": "no, said twice", "skipped": "skipped", "no_answer": "no answer in time",
    "unanswered": "the run ended before", "read": "read",
}  # fmt: skip


def questions(entries: Iterable[Entry]) -> tuple[Question, ...]:
    """Every question of a session, in order."""
    found: dict[int, Question] = {}
    for entry in entries:
        if isinstance(entry, Asked):
            is_read = entry.name.startswith(LABEL)
            found[entry.number] = Question(
                entry.number, entry.t_ns, entry.question, "unanswered", is_read=is_read
            )
        elif isinstance(entry, Answered) and entry.number in found:
            asked = found[entry.number]
            word = "read" if asked.is_read and entry.answer == "done" else entry.answer
            found[entry.number] = replace(asked, answer=word, answered_ns=entry.t_ns, comment=entry.comment)
    return tuple(found.values())


@dataclass(frozen=True, slots=True)
class Material:
    """`title`: the boat; `facts`: label -> text (box identity, link, versions, folder ...), in order.

    `start_ns`: the instant that reports count from. `groups`: subject -> circuit | control | other.
    `excerpts`: discrepancy number -> frames around its evidence. `cautions`: sentences.
    `from_the_middle`: a recording of another logger, which may begin anywhere. `asked`: of a person.
    """

    title: str
    verdict: Verdict
    start_ns: int = 0
    facts: Mapping[str, str] = field(default_factory=dict)
    groups: Mapping[str, str] = field(default_factory=dict)
    excerpts: Mapping[int, tuple[FrameLine, ...]] = field(default_factory=dict)
    cautions: tuple[str, ...] = ()
    from_the_middle: bool = False
    asked: tuple[Question, ...] = ()

    def seconds(self, t_ns: int) -> str:
        """An instant as people read it: `12.345 s` after the start."""
        return f"{(t_ns - self.start_ns) / 1e9:.3f} s"

    def known_from(self) -> dict[str, list[str]]:
        """`0.703 s` or `never` -> circuits whose state was known from then on, earliest first."""
        known = self.verdict.known_from_ns
        circuits = [name for name, group in self.groups.items() if group == "circuit"]
        out: dict[str, list[str]] = {}
        for name in sorted(circuits, key=lambda c: known.get(c, 1 << 62)):
            out.setdefault(self.seconds(known[name]) if name in known else "never", []).append(name)
        return out

    def group_of(self, subject: str) -> str:
        """circuit | control | other."""
        return self.groups.get(subject, "other")


CAUTIONS = (
    "A pass on the bench is no substitute for a sea trial.",
    "It covers only what is listed as tested, with the loads that stood on this bench.",
    "Local codes and the judgement of a licensed electrician prevail over anything said here.",
)


def how_sure(deviation: Deviation) -> str:
    """What the finding rests on, in words."""
    if deviation.evidence:
        return deviation.evidence
    if deviation.frame_index is not None:
        return f"seen in frame {deviation.frame_index}"
    return "by absence: no frame showed it in time"


def what_was_done(material: Material, deviation: Deviation) -> str:
    """The stimulus before it, its instant and its step."""
    cause = deviation.cause or "nothing that explains it"
    if deviation.cause_t_ns is not None:
        cause += f", at {material.seconds(deviation.cause_t_ns)}"
    if deviation.step is None:
        return cause
    return f"{cause} (step {deviation.step})" if deviation.step >= 0 else f"{cause} (around the plan)"


def when(material: Material, deviation: Deviation) -> str:
    """The instant, and how long after the stimulus."""
    text = material.seconds(deviation.t_ns)
    if deviation.cause_t_ns is None or deviation.t_ns < deviation.cause_t_ns:
        return text
    after_ms = (deviation.t_ns - deviation.cause_t_ns) / 1e6
    return (
        f"{text}, {after_ms:.0f} ms after" if after_ms < 10_000 else f"{text}, {after_ms / 1e3:.1f} s after"
    )


def excerpts(
    numbered: Iterable[tuple[int, Frame]],
    verdict: Verdict,
    explain: Callable[[Frame, str], str] = lambda _frame, _signal: "",
) -> dict[int, tuple[FrameLine, ...]]:
    """Frames around each root discrepancy, found in one pass over a session's frames.

    `numbered`: frames with their numbers, rising; those far from any root may be left out. `explain` tells
    what a frame means, or nothing, with the signal in question first. An absence has no frame of its own;
    the frames around the instant it was noticed are shown.
    """
    before: deque[tuple[int, Frame]] = deque(maxlen=FRAMES_BEFORE)
    waiting = {d.number: d.root for d in verdict.discrepancies}
    last: dict[int, int] = {}  # discrepancy under way -> number of its last frame
    around: dict[int, list[tuple[int, Frame]]] = {}
    for k, frame in numbered:
        for number, root in [*waiting.items()]:
            if frame.t_ns >= root.t_ns if root.frame_index is None else k >= root.frame_index:
                del waiting[number]
                around[number] = [one for one in before if one[0] >= k - FRAMES_BEFORE]
                last[number] = k + FRAMES_AFTER
        for number in [*last]:
            if k <= last[number]:
                around[number].append((k, frame))
            else:
                del last[number]
        before.append((k, frame))
    around |= {number: [*before] for number in waiting}
    return {
        d.number: tuple(
            FrameLine(
                index=k,
                t_ns=frame.t_ns,
                direction=frame.direction,
                text=frame.describe(),
                means=explain(frame, d.root.signal),
                is_evidence=k == d.root.frame_index,
            )
            for k, frame in around[d.number]
        )
        for d in verdict.discrepancies
    }


def step_texts(entries: Iterable[Entry]) -> dict[int, str]:
    """Step index -> its text for people."""
    return {entry.step: entry.about for entry in entries if isinstance(entry, StepMark)}


def that_follow(count: int) -> str:
    """`1 that follows`, `12 that follow`."""
    return f"{count} that follow{'s' if count == 1 else ''}"
