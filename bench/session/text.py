"""Lines of a file that may be anything: huge, binary, cut, with a byte order mark."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

CHUNK = 1 << 18
LONGEST = 1 << 16  # a longer line is nothing of ours; its rest is skipped, so memory stays flat
BOM = b"\xef\xbb\xbf"


def numbered_lines(path: Path) -> Iterator[tuple[int, bytes, bool]]:
    """(line number from 1, bytes without line end, whether it had a line end)."""
    number, rest, skipping = 0, b"", False
    with path.open("rb") as file:
        first = True
        while chunk := file.read(CHUNK):
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
                yield number, line[:-1] if line[-1:] == b"\r" else line, True
            if skipping:
                continue
            rest += tail
            if len(rest) > LONGEST:
                number += 1
                yield number, rest[:LONGEST], True
                rest, skipping = b"", True
    if rest:
        yield number + 1, rest, False
