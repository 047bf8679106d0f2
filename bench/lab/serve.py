"""Serves a twin on a pseudo-terminal, in real time, behind a serial-line CAN adapter.

The twin is a box: when the computer goes away, its lights stay as they are. Only the adapter in
between notices anything at all.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from types import FrameType
from typing import Protocol, TextIO

from bench.core.clock import Clock
from bench.core.errors import BenchError, Complaint
from bench.core.frame import Frame

from .slcan_server import Outgoing, SlcanAdapter
from .supply_server import SupplyServer

LONGEST_WAIT_NS = 20_000_000
HIGH_WATER_BYTES = 65_536


class Box(Protocol):
    """What is served: `bench.twin.Twin`, or anything that talks on a bus."""

    def receive(self, t_ns: int, can_id: int, data: bytes, extended: bool) -> None:
        """A frame from the bench is on the bus at `t_ns`; the box has run until then."""
        ...

    def next_due(self) -> int | None:
        """Instant of the next thing the box does by itself; None when there is none."""
        ...

    def run_until(self, t_ns: int) -> Sequence[Frame]:
        """Frames it put on the bus up to and including `t_ns`, in order."""
        ...


class PtyServer:
    """One twin, one adapter, one pseudo-terminal. Thread: the one that calls `turn`.

    Raises: BenchError when no pseudo-terminal can be had.
    """

    def __init__(self, box: Box, clock: Clock, adapter: SlcanAdapter | None = None) -> None:
        self.adapter = adapter or SlcanAdapter()
        self._box, self._clock = box, clock
        self._outgoing = Outgoing(HIGH_WATER_BYTES)
        try:
            import pty
            import tty

            self._master, self._slave = pty.openpty()
        except (ImportError, OSError) as e:
            advice = "this needs a system with pseudo-terminals (Linux, macOS)"
            raise BenchError(Complaint(f"no pseudo-terminal: {e}", advice=advice)) from e
        # our own hold on the far end keeps the port alive while one computer leaves and another comes
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)
        self._closed = False
        self.beside: Callable[[], None] = lambda: None  # also done at each turn, the box having run until now

    @property
    def lost(self) -> int:
        """Lines that the computer did not fetch in time."""
        return self._outgoing.lost

    def turn(self) -> None:
        """Let the box run up to now, once. Blocks: until something happens, at most 20 ms."""
        writers = [self._master] if self._outgoing and not self.adapter.holding() else []
        ready, _, _ = select.select([self._master], writers, [], self._wait_s())
        now_ns = self._clock.now_ns()
        self._show(self._box.run_until(now_ns))
        if ready:
            self._obey(self._read(), now_ns)
        self.beside()
        self._push()

    def _wait_s(self) -> float:
        now_ns = self._clock.now_ns()
        due_ns = self._box.next_due()
        wait_ns = LONGEST_WAIT_NS if due_ns is None else min(due_ns - now_ns, LONGEST_WAIT_NS)
        return max(wait_ns, 0) / 1e9

    def _obey(self, data: bytes, now_ns: int) -> None:
        was_open = self.adapter.open
        answers, sent = self.adapter.feed(data)
        if self.adapter.open and not was_open:
            self._outgoing = Outgoing(HIGH_WATER_BYTES)
        self._outgoing.add(answers)
        for can_id, payload, extended, remote, _ in sent:
            if not remote:  # a box answers no remote frame
                self._box.receive(now_ns, can_id, payload, extended)

    def _show(self, frames: Sequence[Frame]) -> None:
        for frame in frames:
            self._outgoing.add(self.adapter.show(frame))

    def _read(self) -> bytes:
        try:
            return os.read(self._master, 65_536)
        except OSError:  # nothing there after all
            return b""

    def _push(self) -> None:
        while self._outgoing and not self.adapter.holding():
            try:
                self._outgoing.taken(os.write(self._master, self._outgoing.waiting()))
            except BlockingIOError:
                return
            except OSError:
                return

    def close(self) -> None:
        """Gives the pseudo-terminal back; a client sees its port go. Safe to call twice."""
        if self._closed:
            return
        self._closed = True
        os.close(self._master)
        os.close(self._slave)


def serve_on_pty(
    twin: Box, clock: Clock, out: TextIO | None = None, err: TextIO | None = None,
    supply: SupplyServer | None = None, beside: Callable[[], None] = lambda: None,
) -> None:  # fmt: skip
    """Serves until SIGTERM or SIGINT. First line of `out` (stdout), flushed: the port's path, second that of
    `supply` where there is one; how to stop goes to `err` (stderr). `beside`: done again and again meanwhile.

    Blocks: until the signal. Raises: BenchError when no pseudo-terminal can be had.
    """
    out = sys.stdout if out is None else out
    err = sys.stderr if err is None else err
    server = PtyServer(twin, clock)
    try:
        with _stopped_by_signals() as stopped:
            print(server.path, file=out, flush=True)
            server.beside = lambda: _both(supply, beside)
            if supply is not None:
                print(supply.path, file=out, flush=True)
            print("serving in real time; stop with Ctrl-C or SIGTERM", file=err, flush=True)
            serve_until(server, stopped)
    finally:
        server.close()
        if supply is not None:
            supply.close()
    if server.lost:
        print(f"{server.lost} lines were not fetched in time and were lost", file=err, flush=True)


def _both(supply: SupplyServer | None, beside: Callable[[], None]) -> None:
    if supply is not None:
        supply.turn(0.0)
    beside()


def serve_until(server: PtyServer, stopped: Callable[[], bool]) -> None:
    """Blocks: until `stopped()` is true, looked at every 20 ms or sooner."""
    while not stopped():
        server.turn()


@contextlib.contextmanager
def _stopped_by_signals() -> Iterator[Callable[[], bool]]:
    """A question that is answered yes once SIGTERM or SIGINT came; only the main thread gets them."""
    event = threading.Event()

    def stop(number: int, frame: FrameType | None) -> None:
        event.set()

    if threading.current_thread() is not threading.main_thread():
        yield event.is_set
        return
    before = {number: signal.signal(number, stop) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield event.is_set
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
