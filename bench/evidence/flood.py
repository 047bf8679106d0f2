"""`python -m bench.evidence.flood RATE`: an adapter on a pseudo-terminal whose bus carries RATE numbered
frames a second. A process of its own, taking no time from what is measured."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from subprocess import PIPE, Popen

from bench.core.clock import SystemClock
from bench.core.frame import Frame
from bench.lab.serve import serve_on_pty

FLOOD_ID = 0x18FF2021
BATCH_NS = 2_000_000


class Flood:
    """A box that talks without pause."""

    def __init__(self, start_ns: int, rate: int) -> None:
        self._start_ns, self._rate = start_ns, rate
        self._said = 0

    def receive(self, t_ns: int, can_id: int, data: bytes, extended: bool) -> None:
        """Does not listen."""

    def next_due(self) -> int:
        """Two milliseconds' worth at a time."""
        return self._start_ns + self._said * 1_000_000_000 // self._rate + BATCH_NS

    def run_until(self, t_ns: int) -> Sequence[Frame]:
        """Frames numbered in their data."""
        frames: list[Frame] = []
        due = max(0, t_ns - self._start_ns) * self._rate // 1_000_000_000
        for number in range(self._said, due):
            frames.append(Frame(t_ns, FLOOD_ID, number.to_bytes(8, "big")))
        self._said = max(self._said, due)
        return frames


@contextmanager
def flooded(rate: int) -> Iterator[str]:
    """The path of a port with such an adapter behind it."""
    command = [sys.executable, "-m", "bench.evidence.flood", str(rate)]
    with Popen(command, stdout=PIPE, stderr=PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline().strip()
        finally:
            process.terminate()
            process.communicate()


if __name__ == "__main__":
    clock = SystemClock()
    serve_on_pty(Flood(clock.now_ns(), int(sys.argv[1])), clock)
