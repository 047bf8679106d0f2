"""Opens a session folder or a bare candump text file and streams its entries in original order.

Nothing is guessed: a line that cannot be read becomes a BadRecord, and Dropped entries at most
100 ms apart, from the last good frame before it to the next one after it, tell the judge that
something is missing there. Where a cut lost frames that marks speak of, the stream ends in LinkLost
and those marks are kept in `beyond`.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from bench.core.entry import Dropped, Entry, LinkLost, Mark
from bench.core.errors import BenchError, Complaint, UsageError
from bench.core.frame import Frame

from .candump import BadLineError, parse_line
from .marks import EndMark, parse_mark
from .recorder import FORMAT, FRAMES, HEADER, MARKS
from .text import numbered_lines

BAD_KEPT = 1000
PROBE_LINES, PROBE_BYTES = 20_000, 1 << 20
GAP_STEP_NS, GAP_STEPS = 100_000_000, 1000
UNMARKED_NS = 250_000_000  # flush interval + two alive ticks: marks never lag frames by more
_DROPCOUNT = re.compile(rb"DROPCOUNT: dropped (\d{1,18}) CAN frames? on '(.*)' socket .*").fullmatch
_HALF = "half a line: the recording was cut here"
_OURS = "recording, "
_NONE: tuple[int, None] = (-1, None)


class BadRecord(NamedTuple):
    """A line that could not be read: `line` counts from 1, `text` is its beginning."""

    path: str
    line: int
    text: str
    reason: str


class Session:
    """An opened recording. `bad`, `cut`, `frames` and `beyond` need one pass over it: they are as
    the last complete pass of `entries()` found them, and make one themselves when there was none.
    """

    def __init__(
        self,
        frames_path: Path,
        marks_path: Path | None,
        header: dict[str, Any],
        bad: Sequence[BadRecord] = (),
    ) -> None:
        self.header = header
        self._frames_path = frames_path
        self._marks_path = marks_path
        self._found: _Pass | None = None
        self._header_bad = tuple(bad)

    @property
    def path(self) -> Path:
        """The folder, or the bare file."""
        return self._frames_path.parent if self._marks_path else self._frames_path

    def entries(self) -> Iterator[Entry]:
        """Frames and marks in original order, streaming; memory stays flat.

        Raises: BenchError when the disk fails while reading.
        """
        walk = _Pass(self._frames_path, self._marks_path, list(self._header_bad))
        try:
            yield from walk.run()
        except OSError as e:
            raise BenchError(Complaint(f"cannot be read: {e.strerror or e}", str(self.path))) from e
        self._found = walk

    def _walked(self) -> _Pass:
        if self._found is None:
            for _ in self.entries():
                pass
        assert self._found is not None
        return self._found

    @property
    def frames(self) -> int:
        """Number of frames that could be read."""
        return self._walked().frames

    @property
    def bad(self) -> list[BadRecord]:
        """Lines that could not be read, the first 1000 of `bad_count`."""
        return self._walked().bad

    @property
    def bad_count(self) -> int:
        """Number of lines that could not be read."""
        return self._walked().bad_count

    @property
    def cut(self) -> str | None:
        """Why the recording is known to be incomplete at its end, or None."""
        return "; ".join(self._walked().cut) or None

    @property
    def beyond(self) -> list[Mark]:
        """Marks that speak of a time after the last frame on disk: kept, not in `entries()`."""
        return self._walked().beyond

    @property
    def step_back_ns(self) -> int:
        """Largest step backwards between the stamps of two successive frames; 0 in a sound recording."""
        return self._walked().step_back_ns


class _Pass:
    """One walk through the files, with what it found."""

    def __init__(self, frames_path: Path, marks_path: Path | None, bad: list[BadRecord]) -> None:
        self.frames_path, self.marks_path = frames_path, marks_path
        self.bad, self.bad_count = bad, len(bad)
        self.cut: list[str] = []
        self.beyond: list[Mark] = []
        self.frames = self.marks = self.step_back_ns = 0
        self._end: EndMark | None = None
        self._position = 0  # frames as they were written: good lines and bad ones
        self._t_ns = 0  # of the last good frame
        self._last_ns: int | None = None  # of the last entry handed out
        self._gap = 0  # lines lost since the last good frame
        self._gap_ns: int | None = None  # drops are reported up to here
        self._damaged = False

    def run(self) -> Iterator[Entry]:
        marks = self._mark_entries()
        due, mark = next(marks, _NONE)
        marked_ns: int | None = None
        for number, line, whole in numbered_lines(self.frames_path):
            frame = self._frame(number, line, whole)
            if frame is None:
                continue
            while mark is not None and (due <= self._position or (self._damaged and mark.t_ns < frame.t_ns)):
                if self._gap:
                    yield from self._through_gap(mark.t_ns)
                yield mark
                marked_ns = self._last_ns = mark.t_ns
                due, mark = next(marks, _NONE)
            if isinstance(frame, Dropped):
                yield from self._lost_line(frame, number)
                continue
            t_ns = frame.t_ns
            if mark is None and self.marks_path is not None and self._end is None:
                marked_ns = t_ns if marked_ns is None else marked_ns
                if t_ns > marked_ns + UNMARKED_NS:
                    yield self._unmarked()
                    return
            if self._gap:
                yield from self._through_gap(t_ns)
                self._gap = 0
            if t_ns < self._t_ns:
                self.step_back_ns = max(self.step_back_ns, self._t_ns - t_ns)
            self._t_ns = self._last_ns = t_ns
            self._position += 1
            self.frames += 1
            yield frame
        while mark is not None and due <= self._position:
            if self._gap:
                yield from self._through_gap(mark.t_ns)
            yield mark
            self._last_ns = mark.t_ns
            due, mark = next(marks, _NONE)
        while mark is not None:
            if not isinstance(mark, Dropped) or not mark.where.startswith(_OURS):
                self.beyond.append(mark)
            due, mark = next(marks, _NONE)
        if self.marks_path is not None:
            yield from self._close()

    def _frame(self, number: int, line: bytes, whole: bool) -> Frame | Dropped | None:
        """The line's frame; Dropped where one is lost; None for a line that holds none."""
        if whole:
            try:
                return parse_line(line)
            except BadLineError as e:
                reason = str(e)
            if not line or line[:1] == b"#" or line.isspace():
                return None
            if match := _DROPCOUNT(line):  # candump itself says that frames were lost
                return Dropped(
                    self._last_ns or 0, f"kernel, for {match[2].decode('ascii', 'replace')}", int(match[1])
                )
        else:
            reason = _HALF
            self.cut.append(f"{self.frames_path.name} ends in half a line")
        self._note(self.frames_path, number, line, reason)
        return Dropped(self._t_ns, "", 1)

    def _lost_line(self, drop: Dropped, number: int) -> Iterator[Dropped]:
        """A drop that candump reported, or the beginning of a gap."""
        if drop.where:
            yield drop
            return
        self._position += 1
        self._gap += 1
        self._damaged = True
        if self._gap == 1:
            self._gap_ns = self._last_ns
            if self._last_ns is not None:
                yield Dropped(self._last_ns, f"{_OURS}{self.frames_path.name} from line {number}", 1)

    def _through_gap(self, t_ns: int) -> Iterator[Dropped]:
        """Drops all the way from the last good entry to `t_ns`, so that no silence in it proves anything."""
        began_ns = t_ns if self._gap_ns is None else self._gap_ns
        span_ns = t_ns - began_ns
        steps = min(GAP_STEPS, max(1, -(-span_ns // GAP_STEP_NS)))
        where = f"{_OURS}{self.frames_path.name}, {self._gap} lines unreadable"
        for step in range(1, steps + 1):
            yield Dropped(began_ns + span_ns * step // steps, where, 1)
        self._gap_ns = t_ns

    def _mark_entries(self) -> Iterator[tuple[int, Mark | None]]:
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
                    raise BadLineError(_HALF)
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
        lacking = 0 if end is None else end.frames - self._position
        if end is None:
            self.cut.insert(0, "no end mark: the run was cut off")
        elif lacking:
            self.cut.append(f"the end mark counts {end.frames} frames, {FRAMES} holds {self._position}")
        if self.beyond:
            self.cut.append(f"{len(self.beyond)} marks lie beyond the last frame")
        if end is not None and end.marks != self.marks:
            self.cut.append(f"the end mark counts {end.marks} marks, {MARKS} holds {self.marks}")
            yield Dropped(self._last_ns or 0, f"{_OURS}{MARKS}", abs(end.marks - self.marks))
        if self.beyond or lacking:
            yield LinkLost(self._last_ns or 0, "the recording was cut off after this frame")

    def _unmarked(self) -> LinkLost:
        reason = f"{MARKS} ends before {FRAMES}: what the link reported is lost from here"
        self.cut.append(reason)
        return LinkLost(self._last_ns or 0, reason)

    def _note(self, path: Path, number: int, line: bytes, reason: str) -> None:
        self.bad_count += 1
        if len(self.bad) < BAD_KEPT:
            text = line[:80].decode("ascii", "backslashreplace")
            self.bad.append(BadRecord(str(path), number, text, reason))


def open_session(path: str | os.PathLike[str]) -> Session:
    """A session folder or a bare candump text file.

    Raises: UsageError when the path is missing or is neither; BenchError when it cannot be read.
    """
    path = Path(path)
    try:
        if path.is_dir():
            return _open_folder(path)
        if not path.exists():
            raise UsageError(
                Complaint("no such recording", str(path), expected="a session folder or candump text")
            )
        _probe(path)
    except OSError as e:
        raise BenchError(Complaint(f"cannot be read: {e.strerror or e}", str(path))) from e
    return Session(path, None, {})


def _open_folder(folder: Path) -> Session:
    for name, advice in (
        (FRAMES, "name the session folder itself, or a candump text file"),
        (
            MARKS,
            f"nothing proves that the link worked; give {FRAMES} alone to judge it as a foreign one",
        ),
    ):
        if not (folder / name).is_file():
            raise UsageError(
                Complaint(f"not a whole session folder: {name} is missing", str(folder), advice=advice)
            )
    header: dict[str, Any] = {}
    reason = ""
    try:
        text = (folder / HEADER).read_bytes()[: 1 << 24].decode("utf-8")
        found = json.loads(text)
        if isinstance(found, dict):
            header = found
        else:
            reason = "not a JSON object"
    except FileNotFoundError:
        reason = "the file is missing"
    except (ValueError, RecursionError) as e:
        reason = f"not JSON: {e}"
    if reason == "" and header.get("format", FORMAT) != FORMAT:
        expected = f"format {FORMAT}"
        found_text = f"session format {header['format']!r} is not known to this version"
        raise UsageError(
            Complaint(found_text, str(folder / HEADER), expected=expected, advice="use a newer version")
        )
    bad = [BadRecord(str(folder / HEADER), 1, "", reason)] if reason else []
    return Session(folder / FRAMES, folder / MARKS, header, bad)


def _probe(path: Path) -> None:
    """Refuse a file whose beginning holds no frame at all."""
    if not path.is_file():
        raise UsageError(Complaint("neither a file nor a folder", str(path)))
    first: tuple[int, bytes, str] | None = None
    read = 0
    for number, line, _ in numbered_lines(path):
        try:
            parse_line(line)
            return
        except BadLineError as e:
            if first is None and line.strip() and not line.startswith(b"#"):
                first = number, line, str(e)
        read += len(line) + 1
        if number >= PROBE_LINES or read >= PROBE_BYTES:
            break
    if first is None:
        raise UsageError(Complaint("the recording is empty: it holds no frame", str(path)))
    number, line, reason = first
    text = f"not a candump text recording: {reason}; found {line[:40].decode('ascii', 'backslashreplace')!r}"
    raise UsageError(Complaint(text, str(path), number, expected="lines as `candump -L` writes them"))
