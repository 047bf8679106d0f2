"""The person at the terminal: asked in words, with a time limit; heard without holding up the run."""

from __future__ import annotations

from collections.abc import Callable
from typing import TextIO

from bench.core.look import LABEL
from bench.report.text import hanging, printable
from bench.rig.typed import Typed
from bench.run.operator import Question

LONGEST_COMMENT = 200  # characters of a comment that are kept
ECHOED = 40  # characters of what was not understood
WORDS = {
    "y": "done", "yes": "done", "done": "done",
    "n": "not_so", "no": "not_so",
    "s": "skipped", "skip": "skipped",
}  # fmt: skip
YES_NO = "Type yes, no (done, but it is not so) or skip, then Enter. A comment may follow the word."
READ = "Type what it says, or skip, then Enter."
TWICE = "You say that it is not so. Look once more: no if it is not so, yes if it is so after all."


class TerminalPerson:
    """An Operator. `clear`: takes a progress line off the screen before a question is put.

    A *no* counts once it was said twice. What was typed before a question is no answer to it.
    A terminal that cannot be written any more is a person who is not there. Thread: one.
    """

    def __init__(
        self, typed: Typed, out: TextIO, *, width: int = 100, clear: Callable[[], None] = lambda: None
    ) -> None:
        self._typed, self._out, self._width, self._clear = typed, out, width, clear
        self._question: Question | None = None
        self._half_ns = self._end_ns = 0
        self._no: str | None = None  # the comment of a first no
        self._gone = ""

    def ask(self, question: Question, t_ns: int) -> None:
        """Puts a question."""
        self._clear()
        self._question, self._no = question, None
        self._end_ns = t_ns + round(question.limit_s * 1e9)
        self._half_ns = t_ns + round(question.limit_s * 5e8)
        early = self._typed.throw_away()
        self._say("")
        self._say(f"Question {question.number} ({question.limit_s:.0f} s to answer)")
        for line in hanging(question.text, self._width):
            self._say(line)
        if early:
            self._say("  (What was typed before this question is not taken as an answer.)")
        self._say(f"  {self._how(question)}")

    def answer(self, t_ns: int) -> tuple[str, str] | None:
        """What was answered, if it was."""
        question = self._question
        if question is None:
            return None
        typed = self._typed.lines()
        for number, line in enumerate(typed):
            said = self._understood(question, line.strip(), is_last=number == len(typed) - 1)
            if said is not None:
                self._question = None
                return said
        if self._typed.ended or self._gone:
            self._question = None
            return "absent", self._typed.ended or self._gone
        if self._half_ns <= t_ns < self._end_ns:
            self._half_ns = self._end_ns
            self._say(f"  {(self._end_ns - t_ns) / 1e9:.0f} s left to answer question {question.number}.")
        return None

    def withdraw(self, why: str) -> str:
        """The question is over without an answer."""
        if self._question is not None:
            self._say(f"  Question {self._question.number} is over: {why}.")
        self._question = None
        return "" if self._no is None else _kept(f"said no once, not twice; {self._no}".rstrip("; "))

    def _understood(self, question: Question, line: str, *, is_last: bool) -> tuple[str, str] | None:
        """An answer in one line; what is none is said once, however much came at a time."""
        word, _, comment = line.partition(" ")
        known = WORDS.get(word.lower().rstrip(".,;:!"), "")
        if question.name.startswith(LABEL):
            if known == "skipped":
                return known, _kept(comment)
            if line:
                return "done", _kept(line)
        elif known == "not_so" and self._no is None:
            self._no = comment
            self._say(f"  {TWICE}")
            return None
        elif known:
            first = self._no if known == "not_so" and self._no else ""
            return known, _kept("; ".join(c.strip() for c in (first, comment) if c.strip()))
        if is_last:
            if line:
                self._say(f"  Not understood: {printable(line[:ECHOED])!r}.")
            self._say(f"  {self._how(question)}")
        return None

    def _how(self, question: Question) -> str:
        return READ if question.name.startswith(LABEL) else YES_NO

    def _say(self, text: str) -> None:
        try:
            self._out.write(f"{text}\n")
            self._out.flush()
        except (OSError, ValueError):
            self._gone = "the terminal cannot be written"


def _kept(comment: str) -> str:
    return printable(comment.strip())[:LONGEST_COMMENT]
