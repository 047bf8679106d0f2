"""Lines of a file that may be anything: huge, binary, cut, with a byte order mark, compressed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from .source import Source

CHUNK = 1 << 18
LONGEST = 1 << 16  # a longer line is nothing of ours; its rest is skipped, so memory stays flat
BOM = b"\xef\xbb\xbf"


def without_end(line: bytes) -> bytes:
    """The line as it is read: without CR, and no longer than LONGEST."""
    return line[:LONGEST] if len(line) > LONGEST else line[:-1] if line[-1:] == b"\r" else line


def numbered_lines(source: Source | Path, chunk_bytes: int = CHUNK) -> Iterator[tuple[int, bytes, bool]]:
    """(line number from 1, bytes without line end, whether it had a line end)."""
    if isinstance(source, Path):
        with Source(source) as opened:
            yield from numbered_lines(opened, chunk_bytes)
        return
    number, rest, skipping, first = 0, b"", False, True
    while chunk := source.read(chunk_bytes):
        if first:
            chunk, first = chunk.removeprefix(BOM), False
        *lines, tail = chunk.split(b"\n")
        if lines and not skipping:
            lines[0] = rest + lines[0]
            rest = b""
        elif lines:
            del lines[0]
            skipping = False
        for line in lines:
            number += 1
            yield number, without_end(line), True
        if skipping:
            continue
        rest += tail
        if len(rest) > LONGEST:
            number += 1
            yield number, rest[:LONGEST], True
            rest, skipping = b"", True
    if rest:
        yield number + 1, rest, False
