"""Plain text that a terminal can be trusted with: no control characters, known widths, wrapping."""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Sequence


def printable(text: str) -> str:
    """`text` without characters that could move a cursor or hide something."""
    return "".join(
        c if c == "\t" or unicodedata.category(c)[0] != "C" else "\N{REPLACEMENT CHARACTER}" for c in text
    )


def cells(text: str) -> int:
    """How many columns a terminal gives `text`."""
    wide = sum(1 for c in text if unicodedata.east_asian_width(c) in "WF")
    thin = sum(1 for c in text if unicodedata.combining(c))
    return len(text) + wide - thin


def wrap(text: str, width: int, indent: str = "") -> list[str]:
    """Lines of at most `width` columns, each behind `indent`; at least one line."""
    room = max(4, width - len(indent))
    lines = textwrap.wrap(printable(text), room, break_long_words=True, break_on_hyphens=False)
    return [indent + line for line in lines or [""]]


def hanging(text: str, width: int, indent: str = "  ") -> list[str]:
    """`text` wrapped behind `indent`, its further lines two columns deeper."""
    first, *more = wrap(text, width - 2, indent)
    return [first, *(f"  {line}" for line in more)]


def table(
    header: Sequence[str], rows: Sequence[Sequence[str]], width: int, notes: Sequence[str] = ()
) -> list[str]:
    """Columns under their headings, cells wrapped so that each line fits `width`.

    Each column gets room for its heading and its longest word (at most 24); what is left goes where
    cells are longest. `notes`: for each row a line beneath it, or nothing.
    """
    rows = [[printable(cell) for cell in row] for row in rows]
    rooms = _rooms(header, rows, width)
    lines = [_line(header, rooms), _line(["-" * room for room in rooms], rooms)]
    for number, row in enumerate(rows):
        wrapped = [wrap(cell, room) for cell, room in zip(row, rooms, strict=True)]
        for k in range(max(len(part) for part in wrapped)):
            lines.append(_line([part[k] if k < len(part) else "" for part in wrapped], rooms))
        if notes and notes[number]:
            lines += wrap(notes[number], width, " " * (rooms[0] + 2))
    return lines


def _rooms(header: Sequence[str], rows: Sequence[Sequence[str]], width: int) -> list[int]:
    want = [max([cells(title), *(cells(row[k]) for row in rows)]) for k, title in enumerate(header)]
    word = [max([0, *(cells(w) for row in rows for w in row[k].split())]) for k in range(len(header))]
    rooms = [max(cells(title), min(longest, 24)) for title, longest in zip(header, word, strict=True)]
    spare = width - sum(rooms) - 2 * (len(rooms) - 1)
    while spare > 0 and any(room < high for room, high in zip(rooms, want, strict=True)):
        hungry = max(range(len(rooms)), key=lambda k: (want[k] - rooms[k]) / max(rooms[k], 1))
        rooms[hungry] += 1
        spare -= 1
    return rooms


def _line(parts: Sequence[str], rooms: Sequence[int]) -> str:
    padded = [part + " " * max(0, room - cells(part)) for part, room in zip(parts, rooms, strict=True)]
    return "  ".join(padded).rstrip()
