"""Progress of a run: one line that renews itself on a terminal, few plain lines elsewhere."""

from __future__ import annotations

from typing import TextIO

from bench.report.text import printable


class Progress:
    """Told how far the run is; writes to `stream` no more often than anyone can read.

    A stream that cannot be written any more is given up: no run ends because nobody looks on.
    """

    def __init__(self, stream: TextIO, *, width: int = 80, live: bool | None = None) -> None:
        self._stream = stream
        self._width = width
        self._live = stream.isatty() if live is None else live
        self._shown = -1
        self._dirty = self._gone = False

    def update(self, done_ms: float, total_ms: float, about: str = "") -> None:
        """`done_ms` of `total_ms` on the bench are over; `about` is what is under way."""
        share = min(1.0, max(0.0, done_ms / max(total_ms, 1.0)))
        mark = int(share * (200 if self._live else 5))
        if mark == self._shown:
            return
        self._shown = mark
        left_s = max(0.0, total_ms - done_ms) / 1e3
        text = f"{share:4.0%}  {left_s:4.0f} s left  {printable(about)}"[: self._width - 1]
        if self._live:
            self._dirty = True
            self._write(f"\r\x1b[K{text}")
        else:
            self._write(f"{text.rstrip()}\n")

    def close(self) -> None:
        """Leaves the terminal with an empty line of its own."""
        if self._dirty:
            self._dirty = False
            self._write("\r\x1b[K")

    def _write(self, text: str) -> None:
        if self._gone:
            return
        try:
            self._stream.write(text)
            self._stream.flush()
        except (OSError, ValueError):
            self._gone = True
