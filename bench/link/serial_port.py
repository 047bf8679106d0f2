"""A serial port that one thread at a time reads in bulk and any thread can wake.

On POSIX the file descriptor is read directly behind select, so that bytes are in hand within a
fraction of a millisecond; elsewhere pyserial reads with a small timeout.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
from typing import Protocol

import serial

from bench.core.errors import BenchError, Complaint

BULK = 65_536
NEARLY_MS = 0.05  # so much short of a whole millisecond counts as one, for poll knows no other
POLL_S = 0.002  # without select: longest time a wake or a byte can go unnoticed


class Port(Protocol):
    """What the link needs of a port. All but `wake` belong to the link's owner. `selects`: reading can be
    woken and writing never blocks."""

    selects: bool

    def read(self, timeout_s: float) -> bytes:
        """Bytes that are there; empty when none came. Blocks: up to `timeout_s`, less when woken.

        Raises: BenchError when the port is gone.
        """
        ...

    def write(self, data: bytes) -> None:
        """Hand bytes over in order; never blocks. Raises BenchError when the port is gone."""
        ...

    @property
    def unwritten(self) -> int:
        """Bytes the port has not taken yet."""
        ...

    def wake(self) -> None:
        """Thread: any."""
        ...

    def close(self) -> None:
        """Never raises; safe to call twice."""
        ...


def open_port(name: str, serial_baud: int) -> Port:
    """Raises: BenchError when the port is missing, busy, not permitted or no serial port."""
    try:
        if "://" in name:  # a port elsewhere, by one of pyserial's URL handlers: socket://HOST:PORT
            return PollPort(serial.serial_for_url(name, serial_baud, timeout=0), name)
        device = serial.Serial(name, serial_baud, timeout=0, write_timeout=0, exclusive=True)
    except (serial.SerialException, ValueError, OSError) as e:
        raise BenchError(_open_trouble(name, e)) from e
    if os.name != "posix":
        return PollPort(device, name)
    with contextlib.suppress(Exception):  # only some drivers know it; without it: some ms slower
        device.set_low_latency_mode(True)
    return PosixPort(device, name)


class PosixPort:
    """Reads and writes the file descriptor behind select; woken through a pipe."""

    selects = True

    def __init__(self, device: serial.Serial, name: str) -> None:
        self._device, self._name = device, name
        self._fd: int = device.fileno()
        os.set_blocking(self._fd, False)
        self._wake_read, self._wake_write = os.pipe()
        os.set_blocking(self._wake_read, False)
        os.set_blocking(self._wake_write, False)
        self._poll = select.poll()
        self._poll.register(self._fd, select.POLLIN)
        self._poll.register(self._wake_read, select.POLLIN)
        self._out = bytearray()
        self._closed = False

    def read(self, timeout_s: float) -> bytes:
        try:
            if not self._is_ready(timeout_s):
                return b""
            data = os.read(self._fd, BULK)
        except BlockingIOError:
            return b""
        except (OSError, ValueError) as e:
            raise BenchError(f"serial port {self._name} is gone: {e}") from e
        if not data:
            raise BenchError(f"serial port {self._name} is gone: unplugged or closed at the far end")
        return data

    def _is_ready(self, timeout_s: float) -> bool:
        """Whether there are bytes. Blocks: up to `timeout_s`, less when woken. poll is quicker than select,
        but knows whole milliseconds only."""
        if not self._out and (timeout_s <= 0 or timeout_s >= 0.002):
            ready = [fd for fd, _ in self._poll.poll(int(timeout_s * 1000 + NEARLY_MS))]
        else:
            writers = [self._fd] if self._out else []
            ready, room, _ = select.select([self._fd, self._wake_read], writers, [], timeout_s)
            if room:
                self._push()
        if self._wake_read in ready:
            os.read(self._wake_read, 4096)
        return self._fd in ready

    def write(self, data: bytes) -> None:
        self._out += data
        self._push()

    def _push(self) -> None:
        try:
            while self._out:
                del self._out[: os.write(self._fd, self._out)]
        except BlockingIOError:
            return
        except OSError as e:
            raise BenchError(f"serial port {self._name} is gone: it takes no more bytes: {e.strerror}") from e

    @property
    def unwritten(self) -> int:
        return len(self._out)

    def wake(self) -> None:
        with contextlib.suppress(OSError):
            os.write(self._wake_write, b"!")

    def close(self) -> None:
        if self._closed:
            return
        self._closed = True
        with contextlib.suppress(Exception):
            self._device.close()
        os.close(self._wake_read)
        # the writing end stays open until this object goes: another thread may be waking just now

    def __del__(self) -> None:
        with contextlib.suppress(OSError, AttributeError):
            os.close(self._wake_write)


class PollPort:
    """pyserial alone, for platforms without select on ports. Checked only against pseudo-terminals."""

    selects = False

    def __init__(self, device: serial.Serial, name: str) -> None:
        self._device, self._name = device, name
        device.timeout = POLL_S
        device.write_timeout = 0.5

    def read(self, timeout_s: float) -> bytes:
        try:
            waiting: int = self._device.in_waiting
            if not waiting and timeout_s <= 0:
                return b""
            data: bytes = self._device.read(max(1, waiting))
            if data and (more := self._device.in_waiting):
                data += self._device.read(more)
        except (OSError, TypeError, ValueError) as e:  # SerialException is an OSError
            raise BenchError(f"serial port {self._name} is gone: {e}") from e
        return data

    def write(self, data: bytes) -> None:
        try:
            self._device.write(data)
        except (OSError, TypeError, ValueError) as e:
            raise BenchError(f"serial port {self._name} is gone: it takes no more bytes: {e}") from e

    @property
    def unwritten(self) -> int:
        return 0

    def wake(self) -> None:
        """Nothing to do: a read lasts 2 ms at most."""

    def close(self) -> None:
        its_socket = getattr(self._device, "_socket", None)  # pyserial leaves it open where the far end went
        with contextlib.suppress(Exception):
            self._device.close()
        if its_socket is not None:
            with contextlib.suppress(OSError):
                its_socket.close()


def _open_trouble(name: str, e: Exception) -> Complaint:
    number = getattr(e, "errno", None)
    text = str(e)
    if number == errno.ENOENT or (number is None and "FileNotFoundError" in text):
        return Complaint(f"serial port {name} does not exist", advice=_present())
    if number in (errno.EACCES, errno.EPERM) or "PermissionError" in text:
        advice = "join the group that owns the port (often dialout), or close the program that uses it"
        return Complaint(f"serial port {name} may not be opened by this user", advice=advice)
    if number in (errno.EAGAIN, errno.EBUSY) or "exclusively lock" in text:
        return Complaint(f"serial port {name} is busy", advice="close the program that uses it")
    return Complaint(f"{name} cannot be opened as a serial port: {text}", advice=_present())


def _present() -> str:
    """The ports there are, for the advice."""
    from serial.tools import list_ports

    with contextlib.suppress(Exception):
        names = sorted(port.device for port in list_ports.comports())
        if names:
            return f"plug the adapter in, or name one of {', '.join(names[:8])}"
    return "plug the adapter in; no serial port is present now"
