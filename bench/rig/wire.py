"""Lines of text over a serial port or one of pyserial's URL handlers, each with a deadline."""

from __future__ import annotations

import contextlib
from typing import Protocol

import serial

from bench.core.clock import Clock
from bench.core.errors import BenchError, Complaint

MS = 1_000_000
LOOK_S = 0.02  # longest time pyserial is asked to wait at a time
LONGEST_ANSWER = 1024


class Wire(Protocol):
    """Text out, lines in."""

    def write(self, text: str) -> None:
        """Raises: BenchError when the port is gone."""
        ...

    def read_line(self, until_ns: int) -> str | None:
        """A line without its end; None when none came in time. Raises: BenchError when the port is gone."""
        ...

    def drain(self, quiet_ms: float) -> None:
        """Throw away what comes until nothing came for `quiet_ms`, at most ten times as long."""
        ...

    def close(self) -> None:
        """Never raises; safe to call twice."""
        ...


class SerialWire:
    """Thread: one at a time. Raises: BenchError when the port cannot be opened."""

    def __init__(self, port: str, baud: int, clock: Clock) -> None:
        self._port, self._clock = port, clock
        self._in = bytearray()
        try:
            if "://" in port:
                self._device = serial.serial_for_url(port, baud, timeout=LOOK_S, write_timeout=1.0)
            else:
                self._device = serial.Serial(port, baud, timeout=LOOK_S, write_timeout=1.0, exclusive=True)
        except (serial.SerialException, ValueError, OSError) as e:
            advice = "check name and cable, and close other programs that use it"
            text = f"supply port {port} cannot be opened: {e}"
            raise BenchError(
                Complaint(text, expected="a serial port or a URL of pyserial", advice=advice)
            ) from e

    def write(self, text: str) -> None:
        try:
            self._device.write(text.encode("ascii"))
            self._device.flush()
        except (OSError, TypeError, ValueError) as e:  # SerialException is an OSError
            raise self._gone(e) from e

    def read_line(self, until_ns: int) -> str | None:
        while True:
            end = min((i for i in (self._in.find(b"\n"), self._in.find(b"\r")) if i >= 0), default=-1)
            if end >= 0:
                line = bytes(self._in[:end])
                del self._in[: end + 1]
                if line:
                    return line.decode("ascii", "replace")
                continue
            if len(self._in) > LONGEST_ANSWER:
                self._in.clear()
            if self._clock.now_ns() >= until_ns:
                return None
            self._fetch()

    def drain(self, quiet_ms: float) -> None:
        quiet_ns = int(quiet_ms * MS)
        end_ns = self._clock.now_ns() + 10 * quiet_ns
        heard_ns = self._clock.now_ns()
        while (now_ns := self._clock.now_ns()) < min(end_ns, heard_ns + quiet_ns):
            if self._fetch():
                heard_ns = now_ns
        self._in.clear()

    def _fetch(self) -> bool:
        try:
            data: bytes = self._device.read(max(1, self._device.in_waiting))
        except (OSError, TypeError, ValueError) as e:
            raise self._gone(e) from e
        self._in += data
        return bool(data)

    def _gone(self, e: Exception) -> BenchError:
        advice = "check its cable and that it is switched on"
        return BenchError(Complaint(f"supply port {self._port} is gone: {e}", advice=advice))

    def close(self) -> None:
        with contextlib.suppress(Exception):
            self._device.close()
