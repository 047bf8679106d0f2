"""What every link shares: one owner at a time, a queue of entries that counts what it drops, and one
heap of absolute deadlines for everything that is sent.

A subclass says how to connect, receive and transmit. Whoever holds the turn owns the transport: the
link's own thread, and on links that allow it (`shared`) the caller while it waits. Then nothing is handed
from thread to thread, which costs more than reading (docs/decisions/0011-turns.md). An error is raised
nowhere: it becomes LinkLost, the last entry of the link.
"""

from __future__ import annotations

import contextlib
import heapq
import sys
import threading
import traceback
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import ParamSpec

from bench.core.clock import Clock
from bench.core.entry import Alive, Confirmed, Entry, HostLate, LinkLost, Refused
from bench.core.errors import BenchError, InternalError
from bench.core.frame import TX, Frame
from bench.core.link import LinkFacts, LinkStatistics

from .inbox import Counters, Inbox

P = ParamSpec("P")

MS = 1_000_000
ALIVE_NS = 20 * MS
TICK_NS = 5 * MS  # the loop turns at least this often
LATE_LIMIT_NS = 10 * MS  # later than this is said as HostLate
AWAY_NS = MS  # a shared link nobody has read for so long is its thread's
FAR_NS = 1 << 62
JITTER_MS = (TICK_NS + LATE_LIMIT_NS) / MS  # a stamp can be this late without anyone noticing
QUEUE_LIMIT = 100_000
SWITCH_S = 0.0005  # longest that another thread of ours keeps the owner from running; Python's own: 5 ms


class OwnedLink(ABC):
    """A link whose transport is touched by whoever holds its turn, alone.

    `shared`: a caller of `wait` reads by itself, and one of `send_at` sends at once, instead of having the
    link's thread do it; for transports that do not block and do not mind from which thread they are used.
    """

    shared = False

    def __init__(self, clock: Clock, *, bus: str, queue_limit: int = QUEUE_LIMIT) -> None:
        self._clock = clock
        self._bus = bus
        self._inbox = Inbox(queue_limit)
        self._counters = Counters()
        self._due: list[tuple[int, int, int, bytes, bool]] = []
        self._due_lock = threading.Lock()
        self._queued = 0
        self._stop = threading.Event()
        self._ended = self._confirms = False
        self._thread: threading.Thread | None = None
        self._pending: deque[tuple[int, int]] = deque()  # (tag, handed over at) of unanswered sends
        self._turn = threading.Lock()
        self._reading = False  # a caller is in `wait`, or wants to be
        self._turned_ns = self._alive_ns = 0  # the latest turn's end, the next sign of life
        self._bell = threading.Lock()  # held but when it rings: what the thread sleeps on
        self._bell.acquire()
        self._planned_ns = 0  # when the thread wakes by itself
        self._check_ns = FAR_NS  # when `_check` wants to be called at the latest

    # what a subclass provides
    @property
    @abstractmethod
    def facts(self) -> LinkFacts:
        """What this link declares of itself."""

    @abstractmethod
    def _connect(self) -> None:
        """Open the transport. Raises BenchError with what to do. Called before the thread starts."""

    @abstractmethod
    def _receive(self, timeout_s: float) -> list[Entry]:
        """Whatever arrived, stamped. Blocks: up to `timeout_s`, less when `_wake` is called."""

    @abstractmethod
    def _transmit(self, tag: int, can_id: int, data: bytes, extended: bool) -> str | None:
        """Hand one frame to the adapter; the reason when it refuses at once."""

    @abstractmethod
    def _wake(self) -> None:
        """Make `_receive` return soon. Thread: any."""

    @abstractmethod
    def _disconnect(self) -> None:
        """Release the transport; never raises."""

    def _check(self, now_ns: int) -> list[Entry]:
        """Chance to notice what did not happen (no answer to a send)."""
        return []

    # the Link protocol
    def open(self) -> None:
        """Raises BenchError with what to do when the port is missing, busy or mute."""
        if self._thread is not None:
            raise InternalError("a link is opened once")
        self._connect()
        self._confirms = self.facts.confirms
        sys.setswitchinterval(min(sys.getswitchinterval(), SWITCH_S))
        self._turned_ns = self._alive_ns = self._clock.now_ns()
        self._thread = threading.Thread(target=self._run, name=f"link {self.facts.name}", daemon=True)
        self._thread.start()

    def send_at(self, t_ns: int, can_id: int, data: bytes, extended: bool = True) -> None:
        """Queue one frame for the absolute instant `t_ns` (at once when past). Never blocks."""
        if len(data) > 8 or not 0 <= can_id <= (0x1FFFFFFF if extended else 0x7FF):
            raise InternalError(f"{can_id:X} with {len(data)} bytes is no classic CAN frame")
        now_ns = self._clock.now_ns()
        if t_ns <= now_ns and self.shared and self._sent_at_once(now_ns, can_id, bytes(data), extended):
            return
        due_ns = max(t_ns, now_ns)
        with self._due_lock:
            heapq.heappush(self._due, (due_ns, self._queued, can_id, bytes(data), extended))
            self._queued += 1
        if not self.shared or self._turn.locked():
            self._wake()
        elif due_ns < self._planned_ns:
            self._ring()

    def _sent_at_once(self, now_ns: int, can_id: int, data: bytes, extended: bool) -> bool:
        """Whether it went out from here, since nobody else had the turn and nothing was due before."""
        if self._thread is None or (self._due and self._due[0][0] <= now_ns):
            return False
        if not self._turn.acquire(blocking=False):
            return False
        try:
            if self._ended:
                return False
            entries: list[Entry] = []
            self._caught(entries, self._send, now_ns, can_id, data, extended, entries)
            self._put(entries)
            return True
        finally:
            self._turn.release()

    def switch_supply_at(self, t_ns: int, box: str, on: bool) -> None:
        """A CAN link switches no supply. Raises BenchError."""
        raise BenchError(f"link {self.facts.name} cannot switch the supply of {box}")

    def wait(self, until_ns: int) -> list[Entry]:
        """Entries since the last call. Blocks until at least one is there or now >= until_ns."""
        if self.shared and not self._ended:
            self._reading = True
            try:
                return self._wait_reading(until_ns)
            finally:
                self._reading = False
        while True:
            if entries := self._inbox.take():
                return entries
            left_ns = until_ns - self._clock.now_ns()
            if left_ns <= 0:
                return []
            self._inbox.wait(left_ns / 1e9)

    def _wait_reading(self, until_ns: int) -> list[Entry]:
        turn = self._turn
        if not turn.acquire(blocking=False):
            self._wake()
            turn.acquire()
        try:
            while not self._inbox:
                if self._ended or self._stop.is_set():
                    return []
                entries = self._turned(until_ns)
                if entries and not self._inbox:
                    return entries
                self._put(entries)
                if self._clock.now_ns() >= until_ns:
                    break
            return self._inbox.take()
        finally:
            turn.release()

    def loop_test(self) -> float | None:
        """Worst of several round trips to the adapter in ms; None: this link cannot."""
        return None

    def statistics(self) -> LinkStatistics:
        """Counters since opening."""
        c = self._counters
        return LinkStatistics(
            c.received,
            c.sent,
            c.confirmed,
            c.refused,
            c.dropped,
            c.garbage,
            c.worst_confirm_ms,
            c.worst_send_late_ms,
        )

    def close(self) -> None:
        """Ends the thread and releases the port; safe to call twice. Blocks: up to 5 s."""
        self._stop.set()
        if self._thread is not None:
            self._ring()
            self._wake()
            self._thread.join(5.0)

    # the link's thread
    def _run(self) -> None:
        while not self._ended and not self._stop.is_set():
            if self.shared and not self._is_mine():
                continue
            with self._turn:
                if not self._ended:
                    self._put(self._turned(FAR_NS))
        with self._turn:
            if not self._ended:
                last: list[Entry] = []
                self._end("", last)
                self._put(last)

    def _is_mine(self) -> bool:
        """Whether nobody else reads, or a send is due that nobody else sees to. Otherwise sleeps a little."""
        self._planned_ns = FAR_NS
        now_ns = self._clock.now_ns()
        due_ns = self._due[0][0] if self._due else FAR_NS
        if self._reading:
            until_ns = now_ns + TICK_NS
        elif due_ns <= now_ns or now_ns - self._turned_ns >= AWAY_NS:
            return True
        else:
            until_ns = min(self._turned_ns + AWAY_NS, due_ns)
        self._planned_ns = until_ns
        self._bell.acquire(timeout=max(until_ns - now_ns, 0) / 1e9)
        return False

    def _ring(self) -> None:
        with contextlib.suppress(RuntimeError):  # it rings already
            self._bell.release()

    # with the turn
    def _turned(self, until_ns: int) -> list[Entry]:
        """What comes in one turn, at most until then and for 5 ms. After a failure: the last of the link."""
        entries: list[Entry] = []
        self._caught(entries, self._one_turn, until_ns, entries)
        return entries

    def _caught(self, entries: list[Entry], work: Callable[P, None], *args: P.args, **more: P.kwargs) -> None:
        """Does it. A failure of any kind ends the link, and its text reaches the run."""
        try:
            work(*args, **more)
        except BenchError as e:
            self._end(e.complaints[0].text, entries)
        except Exception as e:  # drivers share no class; a thread that just ends loses frames untold
            place = traceback.extract_tb(e.__traceback__)[-1]
            where = f"{Path(place.filename).name}:{place.lineno}"
            self._end(f"internal error in the link: {type(e).__name__}: {e} ({where})", entries)

    def _end(self, reason: str, entries: list[Entry]) -> None:
        now_ns = self._clock.now_ns()
        entries += [Refused(now_ns, tag, "the link ended before an answer") for tag, _ in self._pending]
        self._counters.refused += len(self._pending)
        self._pending.clear()
        if reason:
            entries.append(LinkLost(now_ns, reason))
        self._ended = True
        self._disconnect()

    def _one_turn(self, until_ns: int, entries: list[Entry]) -> None:
        stop_ns = min(until_ns, self._turned_ns + TICK_NS, self._check_ns)
        if self._due:
            stop_ns = min(stop_ns, self._due[0][0])
        entries += self._receive(max(stop_ns - self._clock.now_ns(), 0) / 1e9)
        now_ns = self._clock.now_ns()
        late_ns = now_ns - self._turned_ns - TICK_NS
        self._turned_ns = now_ns
        if late_ns > LATE_LIMIT_NS:
            entries.append(HostLate(now_ns, round(late_ns / MS, 3)))
        if self._due and self._due[0][0] <= now_ns:
            self._send_due(entries)
        entries += self._check(now_ns)
        if now_ns >= self._alive_ns:
            entries.append(Alive(now_ns))
            self._alive_ns = now_ns + ALIVE_NS

    def _put(self, entries: list[Entry]) -> None:
        if entries:
            self._counters.dropped += self._inbox.put(entries)

    def _send_due(self, entries: list[Entry]) -> None:
        while True:
            with self._due_lock:
                if not self._due or self._due[0][0] > self._clock.now_ns():
                    return
                due_ns, _, can_id, data, extended = heapq.heappop(self._due)
            self._send(due_ns, can_id, data, extended, entries)

    def _send(self, due_ns: int, can_id: int, data: bytes, extended: bool, entries: list[Entry]) -> None:
        now_ns = self._clock.now_ns()
        counters = self._counters
        tag = counters.sent
        counters.sent += 1
        counters.worst_send_late_ms = max(counters.worst_send_late_ms, (now_ns - due_ns) / MS)
        entries.append(Frame(now_ns, can_id, data, extended, TX, self._bus))
        if self._confirms:
            self._pending.append((tag, now_ns))
        if (reason := self._transmit(tag, can_id, data, extended)) is not None:
            if self._confirms:
                self._pending.pop()
            entries.append(self._refuse(tag, reason))

    def _confirm_next(self, now_ns: int) -> Confirmed:
        """The oldest unanswered send was answered well."""
        tag, sent_ns = self._pending.popleft()
        self._counters.confirmed += 1
        self._counters.worst_confirm_ms = max(self._counters.worst_confirm_ms, (now_ns - sent_ns) / MS)
        return Confirmed(now_ns, tag)

    def _refuse(self, tag: int, reason: str) -> Refused:
        self._counters.refused += 1
        return Refused(self._clock.now_ns(), tag, reason)
