"""Recordings that follow each other, read as one: logs that were split or rotated."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol

from bench.core.entry import Dropped, Entry
from bench.core.errors import Complaint, UsageError
from bench.core.frame import Frame
from bench.session import BadRecord, Session

SEAM_NS = 100_000_000  # a pause this long between two files is no pause of the bus
STEP_NS = 100_000_000  # drops are told this densely through a gap
MOST_STEPS = 1000
REORDER_NS = 200_000_000  # frames may be stamped out of order by less than this


class Recording(Protocol):
    """What is judged: a session's folder, another logger's file, or several of these in a row."""

    @property
    def header(self) -> Mapping[str, Any]: ...

    @property
    def path(self) -> Path: ...

    def entries(self) -> Iterator[Entry]: ...

    @property
    def bad(self) -> Sequence[BadRecord]: ...

    @property
    def bad_count(self) -> int: ...

    @property
    def cut(self) -> str | None: ...

    @property
    def step_back_ns(self) -> int: ...


class Joined:
    """Several files of another logger in the order of their first stamps.

    Where one ends and the next begins later than the bus ever paused before, frames may be missing: drops
    are told through the gap.
    """

    def __init__(self, sessions: Sequence[Session]) -> None:
        """Raises: UsageError for sessions of our own, which each have a start; BenchError."""
        own = [s for s in sessions if s.header or s.path.is_dir()]
        if own:
            text = "a session of this bench stands among several recordings"
            advice = "it has a start of its own: judge it alone"
            raise UsageError([Complaint(text, str(s.path), advice=advice) for s in own])
        self.sessions = tuple(sorted(sessions, key=_first_ns))
        self.header: dict[str, Any] = {}

    @property
    def path(self) -> Path:
        """The first file."""
        return self.sessions[0].path

    def entries(self) -> Iterator[Entry]:
        """Everything, one file after another. Raises: UsageError when two overlap; BenchError."""
        last_ns: int | None = None
        pause_ns = 0
        before = ""
        for session in self.sessions:
            is_first = True
            for entry in session.entries():
                if isinstance(entry, Frame):
                    if is_first and last_ns is not None:
                        yield from _seam(before, session.path, last_ns, entry.t_ns, pause_ns)
                    elif last_ns is not None:
                        pause_ns = max(pause_ns, entry.t_ns - last_ns)
                    is_first, last_ns = False, max(entry.t_ns, last_ns or 0)
                yield entry
            before = session.path.name

    @property
    def bad(self) -> list[BadRecord]:
        """Lines that could not be read."""
        return [b for s in self.sessions for b in s.bad]

    @property
    def bad_count(self) -> int:
        """Number of lines that could not be read."""
        return sum(s.bad_count for s in self.sessions)

    @property
    def cut(self) -> str | None:
        """Why any of them is known to be incomplete, or None."""
        return "; ".join(s.cut for s in self.sessions if s.cut) or None

    @property
    def step_back_ns(self) -> int:
        """Largest step backwards within one of them."""
        return max(s.step_back_ns for s in self.sessions)


def _first_ns(session: Session) -> tuple[int, str]:
    first = next((e.t_ns for e in session.entries() if isinstance(e, Frame)), 0)
    return first, session.path.name


def _seam(before: str, path: Path, last_ns: int, first_ns: int, pause_ns: int) -> Iterator[Dropped]:
    gap_ns = first_ns - last_ns
    if gap_ns < -REORDER_NS:
        text = f"it begins {-gap_ns / 1e9:.3f} s before {before} ends"
        advice = "recordings made side by side are judged one by one"
        expected = "recordings that follow each other"
        raise UsageError(Complaint(text, str(path), expected=expected, advice=advice))
    if gap_ns <= min(pause_ns, SEAM_NS):
        return
    where = f"the seam of {before} and {path.name}, {gap_ns / 1e9:.3f} s apart"
    steps = min(MOST_STEPS, max(1, -(-gap_ns // STEP_NS)))
    for step in range(1, steps + 1):
        yield Dropped(last_ns + gap_ns * step // steps, where, 0)
