"""SocketCAN as a link: a raw socket of our own, so that nothing the kernel tells is lost on the way.

The receive buffer is set and read back; frames that the kernel dropped are counted by it (SO_RXQ_OVFL);
error frames are on; frames bear the kernel's stamp; and the kernel flags the echo of our own sends
(MSG_CONFIRM), which is their confirmation.
**Source:** Linux, Documentation/networking/can.rst; include/uapi/linux/can/error.h for the error classes.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import socket
import struct
from collections import deque
from collections.abc import Sequence

from bench.core.clock import Clock, wall_ns
from bench.core.entry import Dropped, Entry
from bench.core.errors import BenchError, Complaint
from bench.core.frame import RX, Frame
from bench.core.link import LinkFacts

from .owner import JITTER_MS, MS, QUEUE_LIMIT, OwnedLink

BATCH = 512
RECEIVE_BUFFER = 4 << 20  # bytes asked of the kernel
LEAST_BUFFER = 1 << 20  # below it a warning is due: 278 frames fit the usual 212992 bytes
ECHO_LIMIT_NS = 500 * MS
SPARE_NS = MS  # by so much the two clocks may be read apart

_SO_TIMESTAMPNS, _SO_RXQ_OVFL, _SO_RCVBUFFORCE = 35, 40, 33
_MSG_CONFIRM = 0x800
_CAN_RAW_ERR_FILTER = 2  # not in every Python
_EFF, _RTR, _ERR = 0x80000000, 0x40000000, 0x20000000
_ERR_CONTROLLER, _ERR_BUS_OFF = 0x04, 0x40
_RX_OVERFLOW = 0x01
_FRAME = struct.Struct("=IBBBB8s")
_ANCILLARY = socket.CMSG_SPACE(16) + socket.CMSG_SPACE(4) if hasattr(socket, "CMSG_SPACE") else 0
Filter = tuple[int, int]  # identifier and mask, flags included


class SocketCanLink(OwnedLink):
    """`channel`: the interface's name; the system sets its bit rate. `filters`: pairs of identifier and
    mask that the kernel lets through; none: all. `buffer_bytes`: what the kernel granted, after opening."""

    shared = True

    def __init__(
        self,
        channel: str,
        clock: Clock,
        *,
        bus: str = "can0",
        queue_limit: int = QUEUE_LIMIT,
        filters: Sequence[Filter] = (),
    ) -> None:
        super().__init__(clock, bus=bus, queue_limit=queue_limit)
        self._channel, self._filters = channel, tuple(filters)
        self._socket: socket.socket | None = None
        self._wake_pipe: tuple[int, int] | None = None
        self._sent_ids: deque[bytes] = deque()
        self._lost_in_kernel = 0
        self._latest_ns = self._emptied_ns = 0
        self.buffer_bytes = 0

    @property
    def facts(self) -> LinkFacts:
        """Sends are confirmed by the kernel's own echo. An adapter's losses show only where its driver
        reports them, so it is not called complete."""
        return LinkFacts(f"socketcan:{self._channel}", True, "confirmed", JITTER_MS)

    def _connect(self) -> None:
        if not hasattr(socket, "AF_CAN"):
            advice = "use an adapter behind slcan:PORT, or another interface of python-can"
            text = f"socketcan:{self._channel} cannot be opened: this system has no SocketCAN"
            raise BenchError(Complaint(text, advice=advice))
        try:
            self._socket = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
            self._set_options(self._socket)
            self._socket.bind((self._channel,))
        except OSError as e:
            if self._socket is not None:
                self._socket.close()
            raise BenchError(self._trouble(e)) from e
        self._wake_pipe = os.pipe()
        for end in self._wake_pipe:
            os.set_blocking(end, False)

    def _set_options(self, raw: socket.socket) -> None:
        raw.setblocking(False)
        self._emptied_ns = self._clock.now_ns()
        for option in (_SO_RCVBUFFORCE, socket.SO_RCVBUF):  # the first needs a privilege
            with contextlib.suppress(OSError):
                raw.setsockopt(socket.SOL_SOCKET, option, RECEIVE_BUFFER)
                if raw.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF) >= RECEIVE_BUFFER:
                    break
        self.buffer_bytes = raw.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF)
        raw.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)
        raw.setsockopt(socket.SOL_SOCKET, _SO_RXQ_OVFL, 1)
        raw.setsockopt(socket.SOL_CAN_RAW, socket.CAN_RAW_RECV_OWN_MSGS, 1)
        raw.setsockopt(socket.SOL_CAN_RAW, _CAN_RAW_ERR_FILTER, 0x1FFFFFFF)
        if self._filters:
            packed = b"".join(struct.pack("=II", *pair) for pair in self._filters)
            raw.setsockopt(socket.SOL_CAN_RAW, socket.CAN_RAW_FILTER, packed)

    def _trouble(self, e: OSError) -> Complaint:
        text = f"socketcan:{self._channel} cannot be opened: {e.strerror or e}"
        if e.errno in (errno.EAFNOSUPPORT, errno.EPROTONOSUPPORT):
            return Complaint(
                text, advice="the kernel's modules can and can_raw are missing: modprobe can_raw"
            )
        return Complaint(text, advice=f"check with `ip link show {self._channel}` that it is there and up")

    def _receive(self, timeout_s: float) -> list[Entry]:
        assert self._socket is not None and self._wake_pipe is not None
        entries: list[Entry] = []
        raw = self._socket.fileno()
        try:
            ready, _, _ = select.select([raw, self._wake_pipe[0]], [], [], timeout_s)
            if self._wake_pipe[0] in ready:
                with contextlib.suppress(BlockingIOError):
                    os.read(self._wake_pipe[0], 4096)
            if raw in ready:
                self._drain(entries)
        except OSError as e:
            self._put(entries)
            raise BenchError(f"{self.facts.name} failed while receiving: {e.strerror or e}") from e
        except BenchError:
            self._put(entries)
            raise
        return entries

    def _drain(self, entries: list[Entry]) -> None:
        assert self._socket is not None
        now_ns = self._clock.now_ns()
        base_ns = now_ns - wall_ns()
        for _ in range(BATCH):
            try:
                raw, ancillary, flags, _ = self._socket.recvmsg(16, _ANCILLARY)
            except BlockingIOError:
                self._emptied_ns = now_ns
                return
            t_ns = now_ns
            for _, kind, value in ancillary:
                if kind == _SO_TIMESTAMPNS and len(value) >= 16:
                    seconds, nanoseconds = struct.unpack_from("=qq", value)
                    t_ns = self._believed(base_ns + seconds * 1_000_000_000 + nanoseconds, now_ns)
                elif kind == _SO_RXQ_OVFL:
                    self._count_lost(struct.unpack_from("=I", value)[0], t_ns, entries)
            self._latest_ns = t_ns = max(t_ns, self._latest_ns)
            self._take(raw, flags, t_ns, entries)

    def _believed(self, t_ns: int, now_ns: int) -> int:
        """The kernel's stamp; the instant of reading where it lies before the queue was last empty, as after
        a step of the host's clock."""
        return t_ns if self._emptied_ns - SPARE_NS <= t_ns <= now_ns else now_ns

    def _count_lost(self, total: int, t_ns: int, entries: list[Entry]) -> None:
        lost = total - self._lost_in_kernel & 0xFFFFFFFF
        if lost:
            self._lost_in_kernel = total
            self._counters.dropped += lost
            entries.append(Dropped(max(t_ns, self._latest_ns), "kernel", lost))

    def _take(self, raw: bytes, flags: int, t_ns: int, entries: list[Entry]) -> None:
        if flags & _MSG_CONFIRM and self._sent_ids and raw == self._sent_ids[0]:
            self._sent_ids.popleft()
            entries.append(self._confirm_next(t_ns))
            return
        word, length, _, _, _, padded = _FRAME.unpack(raw)
        self._counters.received += 1
        extended = bool(word & _EFF)
        can_id = word & (0x1FFFFFFF if extended or word & _ERR else 0x7FF)
        data = padded[: min(length, 8)]
        if word & _ERR:
            entries.append(Frame(t_ns, can_id, data, True, RX, self._bus, error=True))
            self._heed(can_id, data, t_ns, entries)
        elif word & _RTR:
            dlc = length or None
            entries.append(Frame(t_ns, can_id, b"", extended, RX, self._bus, remote=True, dlc=dlc))
        else:
            entries.append(Frame(t_ns, can_id, data, extended, RX, self._bus))

    def _heed(self, kind: int, data: bytes, t_ns: int, entries: list[Entry]) -> None:
        """What an error frame means for the link itself."""
        if kind & _ERR_CONTROLLER and len(data) > 1 and data[1] & _RX_OVERFLOW:
            self._counters.dropped += 1
            entries.append(Dropped(t_ns, "adapter", 1))
        if kind & _ERR_BUS_OFF:
            text = f"{self.facts.name} is bus-off: its controller has withdrawn from the bus"
            raise BenchError(Complaint(text, advice="check wiring, termination and bit rate"))

    def _transmit(self, tag: int, can_id: int, data: bytes, extended: bool) -> str | None:
        assert self._socket is not None
        raw = _FRAME.pack(can_id | (_EFF if extended else 0), len(data), 0, 0, 0, data)
        try:
            self._socket.send(raw)
        except OSError as e:
            return f"{self.facts.name} refused to send: {e.strerror or e}"
        self._sent_ids.append(raw)
        return None

    def _check(self, now_ns: int) -> list[Entry]:
        entries: list[Entry] = []
        while self._pending and now_ns - self._pending[0][1] > ECHO_LIMIT_NS:
            tag, _ = self._pending.popleft()
            self._sent_ids.popleft()
            reason = f"no echo within {ECHO_LIMIT_NS // MS} ms: not known to have reached the bus"
            entries.append(self._refuse(tag, reason))
        return entries

    def _wake(self) -> None:
        if self._wake_pipe is not None:
            with contextlib.suppress(OSError):
                os.write(self._wake_pipe[1], b"!")

    def _disconnect(self) -> None:
        if self._socket is not None:
            self._socket.close()

    def __del__(self) -> None:
        for end in getattr(self, "_wake_pipe", None) or ():
            with contextlib.suppress(OSError):
                os.close(end)
