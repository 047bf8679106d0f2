"""Any interface of python-can but socketcan as a link. The library is imported only when one is opened.

One thread owns the Bus: no notifier, no periodic task, no second reader. Where the interface shows
our own frames back (known of virtual), that echo is the confirmation of the send; it
never comes out as a received frame.
"""

from __future__ import annotations

import contextlib
import difflib
import os
import select
from collections import deque
from typing import Any

from bench.core.clock import Clock
from bench.core.entry import Entry
from bench.core.errors import BenchError, Complaint, UsageError
from bench.core.frame import RX, Frame
from bench.core.link import LinkFacts

from .owner import JITTER_MS, MS, QUEUE_LIMIT, OwnedLink

ECHOING = ("virtual",)  # interfaces whose own-message echo was looked at
POLL_S = 0.002  # without a file descriptor: longest time a queued send waits for the reader
BATCH = 512
ECHO_LIMIT_NS = 500 * MS


class CanLink(OwnedLink):
    """`interface` and `channel` as python-can names them; `bitrate` in bit/s where it sets one."""

    def __init__(
        self,
        interface: str,
        channel: str,
        clock: Clock,
        *,
        bitrate: int = 250_000,
        bus: str = "can0",
        queue_limit: int = QUEUE_LIMIT,
    ) -> None:
        super().__init__(clock, bus=bus, queue_limit=queue_limit)
        self._interface, self._channel, self._bitrate = interface, channel, bitrate
        self._can: Any = None
        self._owned: Any = None
        self._fd: int | None = None
        self._wake_pipe: tuple[int, int] | None = None
        self._sent_texts: deque[tuple[int, bytes, bool]] = deque()

    @property
    def facts(self) -> LinkFacts:
        """Confirmed by flagged echo on the interfaces where that is known, else unconfirmed."""
        echoes = self._interface in ECHOING
        return LinkFacts(
            f"{self._interface}:{self._channel}", echoes, "flagged" if echoes else "none", JITTER_MS
        )

    def _connect(self) -> None:
        import can

        self._can = can
        options: dict[str, Any] = {}
        if self._interface in ECHOING:
            options["receive_own_messages"] = True
        else:
            options["bitrate"] = self._bitrate
        try:
            self._owned = can.Bus(channel=self._channel, interface=self._interface, **options)
        except (can.CanError, OSError, ValueError, TypeError, ImportError) as e:
            raise BenchError(self._trouble(e)) from e
        self._fd = _descriptor(self._owned)
        if self._fd is not None:
            self._wake_pipe = os.pipe()
            for end in self._wake_pipe:
                os.set_blocking(end, False)

    def _trouble(self, e: Exception) -> Complaint:
        text = f"{self._interface}:{self._channel} cannot be opened: {e}"
        advice = "check the channel's name, that the adapter is plugged in and its driver installed"
        return Complaint(text, advice=advice)

    def _receive(self, timeout_s: float) -> list[Entry]:
        entries: list[Entry] = []
        try:
            message = self._first(timeout_s)
            now_ns = self._clock.now_ns()
            while message is not None:
                entries.append(self._entry(message, now_ns))
                message = self._owned.recv(0) if len(entries) < BATCH else None
        except (self._can.CanError, OSError, ValueError) as e:
            self._put(entries)
            raise BenchError(f"{self.facts.name} failed while receiving: {e}") from e
        return entries

    def _first(self, timeout_s: float) -> Any:  # noqa: ANN401  (can.Message, imported lazily)
        if self._fd is None or self._wake_pipe is None:
            return self._owned.recv(min(timeout_s, POLL_S))
        ready, _, _ = select.select([self._fd, self._wake_pipe[0]], [], [], timeout_s)
        if self._wake_pipe[0] in ready:
            with contextlib.suppress(BlockingIOError):
                os.read(self._wake_pipe[0], 4096)
        return self._owned.recv(0) if self._fd in ready else None

    def _entry(self, message: Any, now_ns: int) -> Entry:  # noqa: ANN401
        data = bytes(message.data)
        can_id, extended = message.arbitration_id, message.is_extended_id
        sent = self._sent_texts
        if not message.is_rx and sent and sent[0] == (can_id, data, extended):
            sent.popleft()
            return self._confirm_next(now_ns)
        self._counters.received += 1
        flags = None
        if message.is_fd:
            flags = int(message.bitrate_switch) | int(message.error_state_indicator) << 1
        if message.is_error_frame:
            return Frame(now_ns, can_id & 0x1FFFFFFF, data, True, RX, self._bus, error=True)
        if message.is_remote_frame:
            dlc = message.dlc or None
            return Frame(now_ns, can_id, b"", extended, RX, self._bus, remote=True, dlc=dlc)
        return Frame(now_ns, can_id, data, extended, RX, self._bus, fd_flags=flags)

    def _transmit(self, tag: int, can_id: int, data: bytes, extended: bool) -> str | None:
        message = self._can.Message(arbitration_id=can_id, data=data, is_extended_id=extended)
        try:
            self._owned.send(message, timeout=0)
        except (self._can.CanError, OSError) as e:
            return f"{self.facts.name} refused to send: {e}"
        if self.facts.confirms:
            self._sent_texts.append((can_id, data, extended))
        return None

    def _check(self, now_ns: int) -> list[Entry]:
        entries: list[Entry] = []
        while self._pending and now_ns - self._pending[0][1] > ECHO_LIMIT_NS:
            tag, _ = self._pending.popleft()
            self._sent_texts.popleft()
            reason = f"no echo within {ECHO_LIMIT_NS // MS} ms: not known to have reached the bus"
            entries.append(self._refuse(tag, reason))
        return entries

    def _wake(self) -> None:
        if self._wake_pipe is not None:
            with contextlib.suppress(OSError):
                os.write(self._wake_pipe[1], b"!")

    def _disconnect(self) -> None:
        with contextlib.suppress(Exception):  # whatever a driver does on the way out changes nothing
            self._owned.shutdown()

    def __del__(self) -> None:
        for end in getattr(self, "_wake_pipe", None) or ():
            with contextlib.suppress(OSError):
                os.close(end)


def _descriptor(bus: Any) -> int | None:  # noqa: ANN401
    """A file descriptor select can wait on, or None."""
    if os.name != "posix":
        return None
    try:
        descriptor = int(bus.fileno())
    except Exception:  # interfaces say "I have none" in many ways
        return None
    return descriptor if descriptor >= 0 else None


def check_interface(name: str) -> None:
    """Raises UsageError with the nearest right name when python-can has no such interface."""
    from can.interfaces import VALID_INTERFACES

    known = sorted({*VALID_INTERFACES, "slcan"})
    if name in known:
        return
    near = difflib.get_close_matches(name, known, 1)
    advice = f"did you mean {near[0]}?" if near else f"known are {', '.join(known)}"
    raise UsageError(
        Complaint(f"unknown CAN interface {name!r}", expected="INTERFACE:CHANNEL", advice=advice)
    )
