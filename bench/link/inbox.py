"""What a link counts, and the queue between its thread and its reader."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from bench.core.entry import Alive, Dropped, Entry
from bench.core.frame import TX, Frame


@dataclass(slots=True)
class Counters:
    """Mutable twin of LinkStatistics; written by the owner only."""

    received: int = 0
    sent: int = 0
    confirmed: int = 0
    refused: int = 0
    dropped: int = 0
    garbage: int = 0
    worst_confirm_ms: float = 0.0
    worst_send_late_ms: float = 0.0


class Inbox:
    """Entries on their way from the link's thread to the reader of the link; bounded.

    Received frames and alive ticks beyond the limit are dropped and counted; sends, answers and
    the end of the link never are.
    """

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._entries: deque[Entry] = deque()
        self._lost = self._lost_ns = 0
        self._ready = threading.Condition()

    def put(self, entries: Sequence[Entry]) -> int:
        """Add entries in order; gives back how many were dropped."""
        with self._ready:
            room = self._limit - len(self._entries)
            if not self._lost and len(entries) <= room:
                self._entries.extend(entries)
                self._ready.notify()
                return 0
            dropped = sum(self._put_when_full(entry) for entry in entries)
            self._ready.notify()
            return dropped

    def _put_when_full(self, entry: Entry) -> int:
        spare = isinstance(entry, Alive) or (type(entry) is Frame and entry.direction != TX)
        if spare and len(self._entries) >= self._limit:
            if type(entry) is not Frame:
                return 0
            self._lost += 1
            self._lost_ns = entry.t_ns
            return 1
        self._say_lost()
        self._entries.append(entry)
        return 0

    def _say_lost(self) -> None:
        if self._lost:
            self._entries.append(Dropped(self._lost_ns, "queue", self._lost))
            self._lost = 0

    def __bool__(self) -> bool:
        """Whether there is something to take."""
        return bool(self._entries or self._lost)

    def take(self) -> list[Entry]:
        """Everything there is, without waiting."""
        with self._ready:
            self._say_lost()
            taken = list(self._entries)
            self._entries.clear()
            return taken

    def wait(self, timeout_s: float) -> None:
        """Blocks: until an entry is there, at most `timeout_s`."""
        with self._ready:
            if not self._entries:
                self._ready.wait(timeout_s)
