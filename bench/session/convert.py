"""Recordings from one format to another; formats are told by suffix.

Nothing is lost in silence: lines that could not be read go along (into text as they were, marked so that
they stay unreadable), and what a format cannot hold is said.
"""

from __future__ import annotations

import gzip
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple

from bench.core.errors import BenchError, Complaint, UsageError

from .layouts import Lost, layout_of
from .reader import open_session
from .scan import Block
from .suffixes import FOREIGN, MDF, PARQUET, TEXT
from .writing import text_of


@dataclass
class Stream:
    """A recording on its way. `notes`: what its format or reader has lost already, complete only at the end.

    `facts` and `marks`: session.json and marks.jsonl of a session folder, else empty.
    """

    blocks: Iterator[Block]
    timed: bool = True
    notes: list[str] = field(default_factory=list)
    facts: dict[str, Any] = field(default_factory=dict)
    marks: str = ""


class Converted(NamedTuple):
    """What was carried over. `left_out`: in sentences, what was not."""

    frames: int
    lost_lines: int
    left_out: tuple[str, ...]


def convert(source: Path, target: Path) -> Converted:
    """Writes `target`, a new file, from `source`.

    Raises: UsageError for unknown suffixes, an existing target, a missing extra, or frames the target
    cannot hold; BenchError when the disk fails.
    """
    write = _writer(target)
    if target.exists():
        raise UsageError(
            Complaint("the target exists already", str(target), advice="a recording is never overwritten")
        )
    stream = _opened(source)
    count = _Count()
    counted = Stream(count.passing(stream.blocks), stream.timed, stream.notes, stream.facts, stream.marks)
    try:
        with _new_file(target) as part:
            write(part, counted)
            part.replace(target)
    except OSError as e:
        raise BenchError(Complaint(f"cannot be converted: {e.strerror or e}", str(target))) from e
    return Converted(count.frames, count.lost, tuple(dict.fromkeys(counted.notes)))


class _Count:
    frames = lost = 0

    def passing(self, blocks: Iterator[Block]) -> Iterator[Block]:
        for block in blocks:
            self.frames += len(block.columns)
            self.lost += sum(not lost.where for _, _, lost in block.lost)
            yield block


class _new_file:  # noqa: N801 - a context manager
    """A file beside the target that is taken away when it has not become the target."""

    def __init__(self, target: Path) -> None:
        self._path = target.with_name(f".{os.getpid()}.{target.name}")

    def __enter__(self) -> Path:
        self._path.open("xb").close()
        return self._path

    def __exit__(self, *_: object) -> None:
        self._path.unlink(missing_ok=True)


def suffix_of(path: Path) -> str:
    """The suffix that tells the format; of `x.log.gz` it is `.log`."""
    name = path.name.lower()
    for packed in (".gz", ".zst"):
        name = name.removesuffix(packed)
    return Path(name).suffix


def _opened(source: Path) -> Stream:
    suffix = suffix_of(source)
    if source.is_file() and suffix in PARQUET:
        from .parquet import read_parquet

        return read_parquet(source)
    if source.is_file() and suffix in MDF:
        from .mdf import read_mdf

        return read_mdf(source)
    if source.is_file() and suffix in FOREIGN:
        from .foreign import read_foreign

        return read_foreign(source)
    session = open_session(source)
    marks = source / "marks.jsonl"
    text = marks.read_text(encoding="utf-8", errors="replace") if marks.is_file() else ""
    return Stream(session.blocks(), session.timed, [], session.header, text)


def _writer(target: Path) -> Callable[[Path, Stream], None]:
    suffix = suffix_of(target)
    if target.name.lower().endswith(".zst"):
        raise UsageError(Complaint("text is written plain or as .gz", str(target)))
    if suffix in TEXT:
        return lambda part, stream: _write_text(part, stream, packed=target.name.lower().endswith(".gz"))
    if suffix in PARQUET:
        from .parquet import write_parquet

        return write_parquet
    if suffix in MDF:
        from .mdf import write_mdf

        return write_mdf
    known = ", ".join((*TEXT, *PARQUET, *MDF))
    raise UsageError(Complaint(f"no format is known by the suffix {suffix!r}", str(target), expected=known))


def _write_text(part: Path, stream: Stream, *, packed: bool) -> None:
    if not stream.timed:
        raise UsageError(
            Complaint(
                "candump text needs stamps, and this recording has none",
                advice="it fits into a .parquet file",
            )
        )
    if stream.marks:
        stream.notes.append("the marks of the session (marks.jsonl) do not fit into candump text")
    with part.open("wb") as raw:
        if packed:
            with gzip.GzipFile("", "wb", 6, raw, mtime=0) as file:
                _write_lines(file, stream.blocks)
        else:
            _write_lines(raw, stream.blocks)


def _write_lines(file: BinaryIO | gzip.GzipFile, blocks: Iterator[Block]) -> None:
    for block in blocks:
        at = 0
        for row, _, lost in block.lost:
            if row > at:
                file.write(text_of(block.columns.part(at, row)))
                at = row
            file.write(unreadable(lost))
        if at < len(block.columns):
            file.write(text_of(block.columns.part(at, len(block.columns)) if at else block.columns))


def unreadable(lost: Lost) -> bytes:
    """A line that says the same of what is missing: as it was, or so that it stays unreadable."""
    if lost.where:
        return lost.text + b"\n"
    text = lost.text.replace(b"\n", b"?").replace(b"\r", b"?")
    is_harmless = not text or text[:1] == b"#" or text.isspace() or layout_of(text) is not None
    return (b"? " if is_harmless else b"") + text + b"\n"
