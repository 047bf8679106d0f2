"""The wish to stop, from a signal or from code."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


class StopFlag:
    """Set once, never cleared. `signal_number` when a signal did it."""

    def __init__(self) -> None:
        self.reason = ""
        self.signal_number: int | None = None

    def __bool__(self) -> bool:
        return bool(self.reason)

    def set(self, reason: str, signal_number: int | None = None) -> None:
        """Ask the run to end by switching off. The first reason stays."""
        if not self.reason:
            self.reason, self.signal_number = reason, signal_number

    @contextmanager
    def on_signals(self) -> Iterator[StopFlag]:
        """SIGINT and SIGTERM set the flag while inside. Thread: the main one."""

        def told(number: int, _: FrameType | None) -> None:
            self.set("interrupted", number)

        before = {n: signal.signal(n, told) for n in (signal.SIGINT, signal.SIGTERM)}
        try:
            yield self
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)
