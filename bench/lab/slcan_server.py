"""The adapter's side of serial-line CAN. Sans-IO: what a computer wrote comes in, answers go out.

Written on its own, from the protocol and not from the bench's codec, so that each is a check of the
other. Source: LAWICEL ASCII protocol as python-can 4.6.1 speaks it; Z stamps and F from memory.
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

from bench.core.frame import Frame

OK, ERROR = b"\r", b"\x07"
VERSION, SERIAL_NUMBER = b"V1013\r", b"NA001\r"
MINUTE_MS = 60_000
LONGEST_LINE = 40


class Sent(NamedTuple):
    """A frame that the computer sends. `dlc`: length code of a remote frame."""

    can_id: int
    data: bytes
    extended: bool
    remote: bool = False
    dlc: int = 0


class SlcanAdapter:
    """An adapter with its channel closed, as after plugging in.

    `refusing`: True answers every send with BEL, as an adapter does that cannot reach the bus.
    `bare_answers`: True answers a send with CR alone, as some adapters do.
    """

    def __init__(self, *, refusing: bool = False, bare_answers: bool = False) -> None:
        self.refusing = refusing
        self.bare_answers = bare_answers
        self.open = self.listen_only = False
        self.bitrate_code: int | None = None
        self.stamps = False
        self.not_understood = 0
        self._line = bytearray()

    def holding(self) -> bool:
        """Whether all that it has to say waits within it, as a bad adapter, hub or driver makes it."""
        return False

    def feed(self, data: bytes) -> tuple[bytes, list[Sent]]:
        """(answers in order, frames that now go on the bus). Never raises."""
        answers = bytearray()
        frames: list[Sent] = []
        for byte in data:
            if byte != 13:
                self._line.append(byte)
                del self._line[LONGEST_LINE:]
                continue
            line = bytes(self._line)
            self._line.clear()
            answers += self._obey(line, frames)
        return bytes(answers), frames

    def _obey(self, line: bytes, frames: list[Sent]) -> bytes:
        """The answer to one command."""
        letter, rest = line[:1], line[1:]
        if not letter:
            return OK
        if letter in b"tTrR":
            return self._send(letter, rest, frames)
        if line == b"V":
            return VERSION
        if line == b"N":
            return SERIAL_NUMBER
        if line == b"F" and self.open:
            return b"F00\r"
        if self._set(letter, rest):
            return OK
        self.not_understood += 1
        return ERROR

    def _set(self, letter: bytes, rest: bytes) -> bool:
        """Open, close and settings; False where the adapter refuses."""
        if letter in b"OL" and not rest:
            if self.open:
                return False
            self.open, self.listen_only = True, letter == b"L"
        elif letter == b"C" and not rest:
            if not self.open:
                return False
            self.open = False
        elif letter == b"S" and len(rest) == 1 and rest in b"012345678" and not self.open:
            self.bitrate_code = int(rest)
        elif letter == b"Z" and rest in (b"0", b"1") and not self.open:
            self.stamps = rest == b"1"
        else:
            return False
        return True

    def _send(self, letter: bytes, rest: bytes, frames: list[Sent]) -> bytes:
        extended = letter in b"TR"
        sent = _frame(rest, 8 if extended else 3, remote=letter in b"rR")
        if sent is None:
            self.not_understood += 1
            return ERROR
        if not self.open or self.listen_only or self.refusing:
            return ERROR
        frames.append(sent)
        if self.bare_answers:
            return OK
        return b"Z\r" if extended else b"z\r"

    def show(self, frame: Frame) -> bytes:
        """What the computer is told of a frame on the bus; nothing while the channel is closed."""
        if not self.open or frame.error or frame.fd_flags is not None:
            return b""
        width = 8 if frame.extended else 3
        length = len(frame.data)
        if frame.remote:
            letter, length = ("R" if frame.extended else "r"), min(frame.dlc or 0, 8)
        else:
            letter = "T" if frame.extended else "t"
        text = f"{letter}{frame.can_id:0{width}X}{length}"
        text += "".join(f"{byte:02X}" for byte in frame.data)
        if self.stamps:
            text += f"{frame.t_ns // 1_000_000 % MINUTE_MS:04X}"
        return text.encode("ascii") + b"\r"


def _frame(rest: bytes, width: int, *, remote: bool) -> Sent | None:
    """The frame of a send command without its letter, or None."""
    digits = rest.decode("ascii", "replace")
    if len(digits) <= width or any(c not in "0123456789ABCDEFabcdef" for c in digits):
        return None
    can_id, length = int(digits[:width], 16), int(digits[width], 16)
    data = digits[width + 1 :]
    if can_id > (0x1FFFFFFF if width == 8 else 0x7FF) or length > 8:
        return None
    if len(data) != (0 if remote else 2 * length):
        return None
    return Sent(can_id, bytes.fromhex(data), width == 8, remote, length if remote else 0)


class Outgoing:
    """Whole lines on their way to a computer that may not read them.

    Like an adapter, it holds a little and loses the rest, but never sends part of a line alone.
    """

    def __init__(self, limit_bytes: int = 4096) -> None:
        self.lost = 0
        self._limit = limit_bytes
        self._lines: deque[bytes] = deque()
        self._size = 0

    def add(self, line: bytes) -> None:
        """Queue one or more whole lines, or lose them when too much waits already."""
        if not line:
            return
        if self._size + len(line) > self._limit:
            self.lost += 1
            return
        self._lines.append(line)
        self._size += len(line)

    def waiting(self) -> bytes:
        """Everything that waits."""
        return b"".join(self._lines)

    def taken(self, count: int) -> None:
        """The first `count` bytes of `waiting` are gone."""
        self._size -= count
        while count and self._lines:
            line = self._lines.popleft()
            if count < len(line):
                self._lines.appendleft(line[count:])
                return
            count -= len(line)

    def __bool__(self) -> bool:
        return bool(self._lines)
