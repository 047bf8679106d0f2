"""Writes a session folder: frames.log, marks.jsonl, session.json.

Append-only. Per flush (at least every 100 ms of clock time) marks are written before frames, so a
frame on disk is never without the marks that came before it. A killed process loses what came
after the last flush; a power cut also what the operating system had not yet put on the disk.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from io import FileIO
from pathlib import Path
from typing import Any

from bench.core.clock import Clock
from bench.core.entry import Entry, Mark
from bench.core.errors import BenchError, Complaint, InternalError, UsageError
from bench.core.frame import Frame

from .candump import MAX_SECONDS, format_body, format_head
from .marks import format_end, format_mark

FORMAT = 1
FRAMES, MARKS, HEADER = "frames.log", "marks.jsonl", "session.json"
FLUSH_NS = 100_000_000
_new = tuple.__new__


class Recorder:
    """Records one session. `header` goes into session.json; the recorder adds format, start_ns,
    complete, frames and marks. What is recorded goes to the operating system at least every `flush_ns`
    of the clock's time. Thread: one, the conductor's.

    Raises: UsageError when the folder holds something already; BenchError when it cannot be made.
    """

    def __init__(
        self,
        folder: str | os.PathLike[str],
        header: Mapping[str, Any],
        clock: Clock,
        *,
        flush_ns: int = FLUSH_NS,
    ) -> None:
        self.folder = Path(folder)
        self._flush_ns = flush_ns
        self.frames = 0
        self.marks = 0
        self.failed: str | None = None
        self._clock = clock
        self._heads: dict[tuple[int, bool, str], str] = {}
        self._frame_lines: list[str] = []
        self._mark_lines: list[str] = []
        self._second_ns = -(1 << 62)
        self._second_text = ""
        self._closed = False
        self._header: dict[str, Any] = {"format": FORMAT, **header}
        self._header |= {"start_ns": clock.now_ns(), "complete": False}
        _make_empty(self.folder)
        try:
            self._write_header()
            self._mark_file = FileIO(self.folder / MARKS, "x")
            self._frame_file = FileIO(self.folder / FRAMES, "x")
        except OSError as e:
            raise BenchError(_trouble(self.folder, e)) from e
        self._flush_at_ns = clock.now_ns() + flush_ns

    def write(self, entry: Entry) -> Entry:
        """Records the entry and gives back what was recorded: its stamp cut to whole microseconds.

        Raises: BenchError once, when the disk fails; later calls give the entry back unrecorded
        (`failed` says why), so that the run can go on to switch off. InternalError for a frame
        that candump text cannot hold.
        """
        if type(entry) is Frame:
            t_ns, can_id, data, extended, direction, bus, remote, error, fd_flags, dlc = entry
            if rest := t_ns % 1000:
                t_ns -= rest
                entry = _new(
                    Frame,
                    (t_ns, can_id, data, extended, direction, bus, remote, error, fd_flags, dlc),
                )
            if remote or error or fd_flags is not None or dlc is not None or len(data) > 8:
                entry, head, body = _rare(entry)
            else:
                body = data.hex().upper()
                key = (can_id, extended, bus)
                head = self._heads.get(key) or self._new_head(key)
            rest_ns = t_ns - self._second_ns
            if not 0 <= rest_ns < 1_000_000_000:
                rest_ns = self._new_second(t_ns)
            self._frame_lines.append(f"{self._second_text}{rest_ns // 1000:06d}){head}{body} {direction}\n")
            self.frames += 1
        else:
            if rest := entry.t_ns % 1000:
                entry = entry._replace(t_ns=entry.t_ns - rest)
            assert not isinstance(entry, Frame)
            self._add_mark(entry)
        if self._clock.now_ns() >= self._flush_at_ns:
            self.flush()
        return entry

    def flush(self) -> None:
        """Hands everything to the operating system, marks first. Raises BenchError once."""
        self._flush_at_ns = self._clock.now_ns() + self._flush_ns
        mark_lines, frame_lines = self._mark_lines, self._frame_lines
        self._mark_lines, self._frame_lines = [], []
        if self.failed is not None:
            return
        try:
            _append(self._mark_file, mark_lines)
            _append(self._frame_file, frame_lines)
        except OSError as e:
            self._fail(e)

    def add_to_header(self, **more: object) -> None:
        """Put facts learnt on the way (identity as read from the box) into session.json."""
        self._header |= more
        if self.failed is None:
            try:
                self._write_header()
            except OSError as e:
                self._fail(e)

    def close(self, **more: object) -> None:
        """Flush, write the end mark and the final session.json with `more`. Safe to call twice.

        Raises: BenchError when the disk fails now; then the session stays without end mark.
        """
        if self._closed:
            return
        self._closed = True
        try:
            self.flush()
            if self.failed is None:
                self._finish(more)
        except OSError as e:
            self._fail(e)
        finally:
            self._mark_file.close()
            self._frame_file.close()

    def _finish(self, more: Mapping[str, Any]) -> None:
        os.fsync(self._frame_file.fileno())
        _append(self._mark_file, [format_end(self.frames, self.marks)])
        os.fsync(self._mark_file.fileno())
        self._header |= {**more, "complete": True, "frames": self.frames, "marks": self.marks}
        self._write_header()

    def _add_mark(self, mark: Mark) -> None:
        try:
            self._mark_lines.append(format_mark(mark, self.frames))
        except ValueError as e:
            raise InternalError(f"mark {mark!r} cannot be recorded: {e}") from e
        self.marks += 1

    def _new_head(self, key: tuple[int, bool, str]) -> str:
        if len(self._heads) > 4096:
            self._heads.clear()
        head = self._heads[key] = format_head(key[0], key[1], False, key[2])
        return head

    def _new_second(self, t_ns: int) -> int:
        """Nanoseconds since the stamp's second began, which is written from now on."""
        second, rest_ns = divmod(t_ns, 1_000_000_000)
        if not 0 <= second <= MAX_SECONDS:
            raise InternalError(f"a stamp of {second} s cannot be written")
        self._second_ns, self._second_text = t_ns - rest_ns, f"({second:010d}."
        return rest_ns

    def _write_header(self) -> None:
        text = json.dumps(self._header, indent=2, ensure_ascii=False, allow_nan=False)
        beside = self.folder / (HEADER + ".new")
        with beside.open("w", encoding="utf-8", newline="\n") as file:
            file.write(text + "\n")
            file.flush()
            os.fsync(file.fileno())
        beside.replace(self.folder / HEADER)

    def _fail(self, e: OSError) -> None:
        complaint = _trouble(self.folder, e)
        self.failed = complaint.render()
        raise BenchError(complaint) from e


def _rare(frame: Frame) -> tuple[Frame, str, str]:
    """The frame as it will read back, with its text."""
    if frame.error and not frame.extended:
        frame = frame._replace(extended=True)
    if frame.dlc is not None and frame.fd_flags is None and frame.dlc == len(frame.data):
        frame = frame._replace(dlc=None)
    return frame, format_head(frame.can_id, frame.extended, frame.error, frame.bus), format_body(frame)


def _make_empty(folder: Path) -> None:
    try:
        if folder.exists() and not folder.is_dir():
            raise UsageError(
                Complaint(
                    "the session folder's name is taken by a file", str(folder), advice="name another folder"
                )
            )
        if folder.is_dir() and any(folder.iterdir()):
            advice = "name a new folder, or move this one away; a recording is never overwritten"
            raise UsageError(Complaint("the session folder is not empty", str(folder), advice=advice))
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise BenchError(_trouble(folder, e)) from e


def _append(file: FileIO, lines: list[str]) -> None:
    if os.fstat(file.fileno()).st_nlink == 0:
        raise OSError("the file was removed while the session was being recorded")
    rest = memoryview("".join(lines).encode("ascii"))
    while rest:
        rest = rest[file.write(rest) :]


def _trouble(folder: Path, e: OSError) -> Complaint:
    text = f"cannot record the session: {e.strerror or e}"
    return Complaint(text, str(folder), advice="check free space and permission, then run again")
