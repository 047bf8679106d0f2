"""One walk through a recording's files: frames, marks and what was lost, in original order.

`Walk.run` goes line by line; `merge.Merge` does the same with many frames at a time. Nothing is guessed: a
line that cannot be read becomes a BadRecord, and Dropped entries at most 100 ms apart, from the last
good frame before it to the next one after it, tell the judge that something is missing there. Where
a cut lost frames that marks speak of, the stream ends in LinkLost and those marks are kept in `beyond`.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from bench.core.entry import Dropped, Entry, LinkLost, Mark
from bench.core.frame import Frame

from .candump import BadLineError
from .layouts import HALF, LOG, Layout, Lost, contents
from .marks import EndMark, parse_mark
from .recorder import FRAMES, MARKS
from .source import Source
from .text import numbered_lines

BAD_KEPT = 1000
GAP_STEP_NS, GAP_STEPS = 100_000_000, 1000
UNMARKED_NS = 250_000_000  # flush interval + two alive ticks: marks never lag frames by more
_new = tuple.__new__  # there may be a thousand to a bad line
_OURS = "recording, "
NONE: tuple[int, None] = (-1, None)


class BadRecord(NamedTuple):
    """A line that could not be read: `line` counts from 1, `text` is its beginning."""

    path: str
    line: int
    text: str
    reason: str


class Walk:
    """One walk through the files, with what it found. It can be made once, one way or the other."""

    def __init__(
        self, frames_path: Path, marks_path: Path | None, bad: list[BadRecord], layout: Layout = LOG
    ) -> None:
        self.frames_path, self.marks_path, self.layout = frames_path, marks_path, layout
        self.bad, self.bad_count = bad, len(bad)
        self.cut: list[str] = []
        self.beyond: list[Mark] = []
        self.frames = self.marks = self.step_back_ns = 0
        self._end: EndMark | None = None
        self.position = 0  # frames as they were written: good lines and bad ones
        self.t_ns = 0  # of the last good frame
        self.last_ns: int | None = None  # of the last entry handed out
        self.gap = 0  # lines lost since the last good frame
        self._gap_ns: int | None = None  # drops are reported up to here
        self.damaged = False

    def run(self) -> Iterator[Entry]:
        """Every entry, line by line. Raises: OSError when the disk fails."""
        marks = self.mark_entries()
        due, mark = next(marks, NONE)
        marked_ns: int | None = None
        for number, found in self._items():
            t_ns = found.t_ns if isinstance(found, Frame) else self.lost_ns(found)
            while mark is not None and (due <= self.position or (self.damaged and mark.t_ns < t_ns)):
                if self.gap:
                    yield from self.through_gap(mark.t_ns)
                yield mark
                marked_ns = self.last_ns = mark.t_ns
                due, mark = next(marks, NONE)
            if isinstance(found, Lost):
                yield from self.lost_line(found, number, t_ns)
                continue
            if mark is None and self.may_end_early:
                marked_ns = t_ns if marked_ns is None else marked_ns
                if t_ns > marked_ns + UNMARKED_NS:
                    yield self.unmarked()
                    return
            if self.gap:
                yield from self.through_gap(t_ns)
                self.gap = 0
            if t_ns < self.t_ns:
                self.step_back_ns = max(self.step_back_ns, self.t_ns - t_ns)
            self.t_ns = self.last_ns = t_ns
            self.position += 1
            self.frames += 1
            yield found
        yield from self.last_marks(marks, due, mark)

    def _items(self) -> Iterator[tuple[int, Frame | Lost]]:
        """(line number, frame or what is lost there)."""
        number = 0
        with Source(self.frames_path) as source:
            for number, line, whole in numbered_lines(source):
                found = contents(line, whole, self.layout.parse)
                if found is not None:
                    yield number, found
            if source.damage:
                yield number + 1, Lost(b"", source.damage)

    @property
    def may_end_early(self) -> bool:
        """Whether marks.jsonl may have lost its end."""
        return self.marks_path is not None and self._end is None

    def last_marks(
        self, marks: Iterator[tuple[int, Mark | None]], due: int, mark: Mark | None
    ) -> Iterator[Entry]:
        """What comes behind the last frame."""
        while mark is not None and due <= self.position:
            if self.gap:
                yield from self.through_gap(mark.t_ns)
            yield mark
            self.last_ns = mark.t_ns
            due, mark = next(marks, NONE)
        while mark is not None:
            if not isinstance(mark, Dropped) or not mark.where.startswith(_OURS):
                self.beyond.append(mark)
            due, mark = next(marks, NONE)
        if self.marks_path is not None:
            yield from self._close()

    def lost_ns(self, lost: Lost) -> int:
        """The time that a line without frame stands for."""
        return (self.last_ns or 0) if lost.where else self.t_ns

    def lost_line(self, lost: Lost, number: int, t_ns: int) -> Iterator[Dropped]:
        """A drop that candump reported, or the beginning of a gap."""
        if lost.where:
            yield Dropped(t_ns, lost.where, lost.lost)
            return
        if lost.reason == HALF:
            self.cut.append(f"{self.frames_path.name} ends in half a line")
        elif not lost.text:
            self.cut.append(f"{self.frames_path.name}: {lost.reason}")
        self._note(self.frames_path, number, lost.text, lost.reason)
        self.position += 1
        self.gap += 1
        self.damaged = True
        if self.gap == 1:
            self._gap_ns = self.last_ns
            if self.last_ns is not None:
                yield Dropped(self.last_ns, f"{_OURS}{self.frames_path.name} from line {number}", 1)

    def through_gap(self, t_ns: int) -> list[Dropped]:
        """Drops all the way from the last good entry to `t_ns`, so that no silence in it proves anything."""
        began_ns = t_ns if self._gap_ns is None else self._gap_ns
        span_ns = t_ns - began_ns
        steps = min(GAP_STEPS, max(1, -(-span_ns // GAP_STEP_NS)))
        where = f"{_OURS}{self.frames_path.name}, {self.gap} lines unreadable"
        self._gap_ns = t_ns
        if steps == 1:
            return [Dropped(t_ns, where, 1)]
        return [_new(Dropped, (began_ns + span_ns * step // steps, where, 1)) for step in range(1, steps + 1)]

    def mark_entries(self) -> Iterator[tuple[int, Mark | None]]:
        if self.marks_path is None:
            return
        after, t_ns = 0, 0
        for number, line, whole in numbered_lines(self.marks_path):
            if not line or line.isspace():
                continue
            try:
                if self._end is not None:
                    raise BadLineError("stands after the end mark")
                if not whole:
                    self.cut.append(f"{MARKS} ends in half a line")
                    raise BadLineError(HALF)
                item = parse_mark(line)
                if isinstance(item, EndMark):
                    self._end = item
                    continue
                if item[0] < after:
                    raise BadLineError(f"after_frames {item[0]} runs backwards, the line before has {after}")
            except BadLineError as e:
                self._note(self.marks_path, number, line, str(e))
                self.marks += 1
                yield after, Dropped(t_ns, f"{_OURS}{MARKS} line {number}", 1)
                continue
            self.marks += 1
            after, t_ns = item[0], item[1].t_ns
            yield item

    def _close(self) -> Iterator[Entry]:
        """What the end of a session folder says about its wholeness."""
        end = self._end
        lacking = 0 if end is None else end.frames - self.position
        if end is None:
            self.cut.insert(0, "no end mark: the run was cut off")
        elif lacking:
            self.cut.append(f"the end mark counts {end.frames} frames, {FRAMES} holds {self.position}")
        if self.beyond:
            self.cut.append(f"{len(self.beyond)} marks lie beyond the last frame")
        if end is not None and end.marks != self.marks:
            self.cut.append(f"the end mark counts {end.marks} marks, {MARKS} holds {self.marks}")
            yield Dropped(self.last_ns or 0, f"{_OURS}{MARKS}", abs(end.marks - self.marks))
        if self.beyond or lacking:
            yield LinkLost(self.last_ns or 0, "the recording was cut off after this frame")

    def unmarked(self) -> LinkLost:
        reason = f"{MARKS} ends before {FRAMES}: what the link reported is lost from here"
        self.cut.append(reason)
        return LinkLost(self.last_ns or 0, reason)

    def _note(self, path: Path, number: int, line: bytes, reason: str) -> None:
        self.bad_count += 1
        if len(self.bad) < BAD_KEPT:
            text = line[:80].decode("ascii", "backslashreplace")
            self.bad.append(BadRecord(str(path), number, text, reason))
