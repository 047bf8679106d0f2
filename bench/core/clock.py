"""The one place that knows time. Everything else is handed a Clock.

All instants are integer nanoseconds. A live clock is anchored once to the wall clock, so its
instants can be written as candump stamps, and then runs on the monotonic clock: a step of the
host's wall clock never moves it.
"""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """Time as the bench sees it."""

    def now_ns(self) -> int:
        """Nanoseconds now; never runs backwards."""
        ...

    def wait_until(self, t_ns: int) -> None:
        """Return once now_ns() >= t_ns. Blocks: until then."""
        ...


class SystemClock:
    """Wall clock at the start, monotonic afterwards."""

    def __init__(self) -> None:
        self._base_ns = time.time_ns() - time.monotonic_ns()

    def now_ns(self) -> int:
        return self._base_ns + time.monotonic_ns()

    def wait_until(self, t_ns: int) -> None:
        while (left := t_ns - self.now_ns()) > 0:
            time.sleep(left / 1e9)


class VirtualClock:
    """Stands still until someone waits, then jumps to the awaited instant."""

    def __init__(self, start_ns: int = 0) -> None:
        self._now_ns = start_ns

    def now_ns(self) -> int:
        return self._now_ns

    def wait_until(self, t_ns: int) -> None:
        if t_ns > self._now_ns:
            self._now_ns = t_ns


def cpu_ns() -> int:
    """CPU time of this process in nanoseconds, for figures only, never for a verdict."""
    return time.process_time_ns()


def elapsed_ns() -> int:
    """Monotonic real time in nanoseconds, for figures only, never for a verdict."""
    return time.perf_counter_ns()


def wall_ns() -> int:
    """Wall clock in nanoseconds, only to tell how old a kernel's own stamp is."""
    return time.time_ns()


def utc_text() -> str:
    """Wall clock as `2026-01-31T12:00:00Z`, once a session, for its header."""
    return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
