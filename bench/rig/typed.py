"""Lines that a person types, taken as they come: nobody ever waits for one."""

from __future__ import annotations

import os
import queue
import select
import threading
from collections.abc import Callable

LONGEST = 1000  # bytes kept of a line; what is typed beyond is dropped
CHUNK = 65_536
CHUNKS = 64  # fetched at once when what was typed is thrown away

SELECTS = os.name != "nt"  # where a console can be asked whether something was typed


class Typed:
    """The lines typed at a file descriptor. `ended`: why no more can come; empty while they may.

    Nothing is read beyond what was typed, so that the shell gets what comes later. Thread: one.
    """

    def __init__(self, fd: int, *, selects: bool = SELECTS) -> None:
        self.ended = ""
        self._fetch: Callable[[], bytes | None] = _Selecting(fd).fetch if selects else _Threaded(fd).fetch
        self._rest = b""

    def lines(self) -> list[str]:
        """Whole lines that were typed since the last call, without their ends; none yet: empty.

        What stands before the end of the input counts as a line.
        """
        data = self._more()
        *whole, rest = (self._rest + data).split(b"\n")
        self._rest = rest[:LONGEST]
        if self.ended and self._rest:
            whole.append(self._rest)
            self._rest = b""
        return [line[:LONGEST].decode("utf-8", "replace").rstrip("\r") for line in whole]

    def throw_away(self) -> bool:
        """Forgets whatever was typed so far. Whether anything was."""
        found = bool(self._rest)
        self._rest = b""
        for _ in range(CHUNKS):
            if not self._more():
                break
            found = True
        return found

    def _more(self) -> bytes:
        if self.ended:
            return b""
        try:
            data = self._fetch()
        except (OSError, ValueError) as e:
            self.ended = f"the terminal is gone ({getattr(e, 'strerror', None) or e})"
            return b""
        if data == b"":
            self.ended = "the input has ended"
        return data or b""


class _Selecting:
    """POSIX: reads only what is there, and of a terminal only while it is ours."""

    def __init__(self, fd: int) -> None:
        self._fd = fd

    def fetch(self) -> bytes | None:
        """What was typed; None: nothing; empty: the end."""
        ready, _, _ = select.select([self._fd], [], [], 0)
        return os.read(self._fd, CHUNK) if ready and self._is_ours() else None

    def _is_ours(self) -> bool:
        """A job in the background that reads the terminal it was started from would be stopped."""
        try:
            return os.tcgetpgrp(self._fd) == os.getpgrp()
        except OSError:  # no terminal, or not the one it was started from
            return True


class _Threaded:
    """Elsewhere: a thread waits for what is typed, one piece ahead at most."""

    def __init__(self, fd: int) -> None:
        self._fd = fd
        self._pieces: queue.Queue[bytes | OSError] = queue.Queue(maxsize=1)
        threading.Thread(target=self._read, daemon=True, name="typed").start()

    def _read(self) -> None:
        while True:
            try:
                piece: bytes | OSError = os.read(self._fd, CHUNK)
            except OSError as e:
                piece = e
            self._pieces.put(piece)
            if not piece or isinstance(piece, OSError):
                return

    def fetch(self) -> bytes | None:
        """As above."""
        try:
            piece = self._pieces.get_nowait()
        except queue.Empty:
            return None
        if isinstance(piece, OSError):
            raise piece
        return piece
