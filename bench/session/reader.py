"""Opens a session folder or a bare candump text file and streams its entries in original order.

Frames come one by one (`entries`) or many at a time as numpy columns (`chunks`); both say the same.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.core.entry import Entry, Mark
from bench.core.errors import BenchError, Complaint, UsageError

from .candump import BadLineError, parse_line
from .layouts import LOG, Layout, is_bracketed, layout_of, parse_stamped
from .recorder import FORMAT, FRAMES, HEADER, MARKS
from .source import Source
from .suffixes import FOREIGN, MDF, PARQUET
from .text import numbered_lines
from .walk import BadRecord, Walk

if TYPE_CHECKING:
    from bench.definitions import Definitions

    from .columns import Columns
    from .scan import Block
    from .signals import Signals

PROBE_LINES, PROBE_BYTES, PROBE_CHUNK = 20_000, 1 << 20, 1 << 12
FAST_FROM = 1 << 18  # bytes of frames from which numpy is worth its loading


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
        layout: Layout = LOG,
    ) -> None:
        self.header = header
        self.layout = layout
        self._frames_path = frames_path
        self._marks_path = marks_path
        self._found: Walk | None = None
        self._header_bad = tuple(bad)

    @property
    def path(self) -> Path:
        """The folder, or the bare file."""
        return self._frames_path.parent if self._marks_path else self._frames_path

    @property
    def timed(self) -> bool:
        """Whether frames have stamps. Without them nothing can be judged, only converted."""
        return self.layout.timed

    def entries(self) -> Iterator[Entry]:
        """Frames and marks in original order, streaming; memory stays flat.

        Raises: UsageError when the recording has no stamps; BenchError when the disk fails while reading.
        """
        if self.is_large:
            for chunk in self.chunks():
                yield from chunk.entries()
        else:
            yield from self.line_by_line()

    def line_by_line(self) -> Iterator[Entry]:
        """The same as `entries()`, at its quickest for the first few."""
        self._need_stamps()
        walk = self._walk()
        try:
            yield from walk.run()
        except OSError as e:
            raise self._trouble(e) from e
        self._found = walk

    def chunks(self, rows: int | None = None, *, untimed: bool = False) -> Iterator[Columns]:
        """The same as `entries()`, many frames at a time; memory stays flat.

        `rows`: frames a chunk, the last one may have less; None as it suits the reader. `untimed`: also of
        a recording without stamps, whose frames then have t_ns 0.
        Raises: UsageError when the recording has no stamps; BenchError when the disk fails while reading.
        """
        from .merge import Merge, regrouped

        if not untimed:
            self._need_stamps()
        walk = self._walk()
        try:
            chunks = Merge(walk).chunks(self.blocks())
            yield from chunks if rows is None else regrouped(chunks, rows)
        except OSError as e:
            raise self._trouble(e) from e
        self._found = walk

    def signals(self, definitions: Definitions) -> Signals:
        """Edges, levels and currents as pandas tables.

        Raises: UsageError when the recording has no stamps; BenchError when the disk fails while reading.
        """
        from .signals import ROWS, signals_of

        return signals_of(self.chunks(ROWS), definitions)

    def blocks(self) -> Iterator[Block]:
        """What the frames' file alone holds, lines that cannot be read among it. Raises: OSError."""
        from .cache import CacheWriter, find_cache
        from .scan import Scanner

        kept = find_cache(self._frames_path, self.layout)
        if kept is not None:
            yield from kept
            return
        size = self._frames_path.stat().st_size
        cache = CacheWriter(self.layout, size)
        try:
            with Source(self._frames_path, cache.hash.update if cache.is_open else None) as source:
                for block in Scanner(source, self.layout).blocks():
                    cache.add(block)
                    yield block
                if source.heard_bytes == size:
                    cache.finish(size)
        finally:
            cache.close()

    def _walk(self) -> Walk:
        return Walk(self._frames_path, self._marks_path, list(self._header_bad), self.layout)

    @property
    def is_large(self) -> bool:
        """Whether frames are better read many at a time. Raises: BenchError."""
        try:
            return self._frames_path.stat().st_size >= FAST_FROM
        except OSError as e:
            raise self._trouble(e) from e

    def _trouble(self, e: OSError) -> BenchError:
        return BenchError(Complaint(f"cannot be read: {e.strerror or e}", str(self.path)))

    def _need_stamps(self) -> None:
        if not self.timed:
            text = "the recording has no stamps, so nothing can be said of when its frames came"
            advice = "record with candump -L (or -t a); this one can be converted, but not judged"
            raise UsageError(Complaint(text, str(self.path), advice=advice))

    def _walked(self) -> Walk:
        if self._found is None:
            for _ in self.chunks(untimed=True) if self.is_large or not self.timed else self.entries():
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
        layout = _probe(path)
    except OSError as e:
        raise BenchError(Complaint(f"cannot be read: {e.strerror or e}", str(path))) from e
    return Session(path, None, {}, layout=layout)


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


def _probe(path: Path) -> Layout:
    """The layout of the first frame. Refuses a file whose beginning holds no frame at all."""
    if not path.is_file():
        raise UsageError(Complaint("neither a file nor a folder", str(path)))
    first: tuple[int, bytes] | None = None
    read = 0
    with Source(path) as source:
        for number, line, _ in numbered_lines(source, PROBE_CHUNK):
            layout = layout_of(line)
            if layout is not None:
                return layout
            if first is None and line.strip() and not line.startswith(b"#"):
                first = number, line
            read += len(line) + 1
            if number >= PROBE_LINES or read >= PROBE_BYTES:
                break
        damage = source.damage
    if first is None:
        text = f"{damage}, before its first frame" if damage else "the recording is empty: it holds no frame"
        raise UsageError(Complaint(text, str(path)))
    number, line = first
    shown = line[:40].decode("ascii", "backslashreplace")
    text = f"not a candump text recording: {_reason(line)}; found {shown!r}"
    expected, advice = "lines as `candump -L` writes them", ""
    if path.suffix.lower() in (*PARQUET, *MDF, *FOREIGN):
        advice = f"convert it first: hardstand convert {path.name} {path.stem}.log"
    raise UsageError(Complaint(text, str(path), number, expected=expected, advice=advice))


def _reason(line: bytes) -> str:
    """Why a line is no frame, said of the layout that it comes nearest to."""
    try:
        (parse_stamped if is_bracketed(line) else parse_line)(line)
    except BadLineError as e:
        return str(e)
    return ""
