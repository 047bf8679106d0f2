"""Errors, one class below the root for each person who must act."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

LONGEST_TEXT = 600  # characters; what was given may be of any size


def clipped(text: str) -> str:
    """`text`, of a very long one the beginning and how long it is."""
    if len(text) <= LONGEST_TEXT:
        return text
    return f"{text[: LONGEST_TEXT // 2]}... ({len(text)} characters)"


@dataclass(frozen=True, slots=True)
class Complaint:
    """One thing wrong with something we were given.

    `text` says what went wrong; `expected` what would be right; `advice` what to do.
    `line` and `column` count from 1; None where the source has no lines.
    """

    text: str
    path: str = ""
    line: int | None = None
    column: int | None = None
    expected: str = ""
    advice: str = ""
    severity: str = "error"  # error | warning

    def render(self) -> str:
        """`path:line:column: error: what - expected ... - advice`, on one line."""
        where = ":".join(str(p) for p in (self.path, self.line, self.column) if p not in ("", None))
        parts = [clipped(self.text)]
        if self.expected:
            parts.append(f"expected {self.expected}")
        if self.advice:
            parts.append(self.advice)
        head = f"{where}: " if where else ""
        return f"{head}{self.severity}: {' - '.join(parts)}"


class HardstandError(Exception):
    """Root of everything this package raises on purpose."""

    def __init__(self, complaints: str | Complaint | Sequence[Complaint]) -> None:
        if isinstance(complaints, str):
            complaints = Complaint(complaints)
        if isinstance(complaints, Complaint):
            complaints = (complaints,)
        self.complaints: tuple[Complaint, ...] = tuple(complaints)
        super().__init__("\n".join(c.render() for c in self.complaints))


class SpecError(HardstandError):
    """The spec or bench profile is wrong: its author must act. Exit status 2."""


class DefinitionError(HardstandError):
    """The message definitions or their binding are wrong: their author must act. Exit status 2."""


class UsageError(HardstandError):
    """The command line or a named file is wrong: whoever called must act. Exit status 2."""


class BenchError(HardstandError):
    """Link, power or another part of the bench failed: the operator must act. Exit status 3."""


class InternalError(HardstandError):
    """A defect of this program. Exit status 3."""
