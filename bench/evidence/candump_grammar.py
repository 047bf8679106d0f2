"""The grammar of a candump line, written a second time as a plain reader of characters.

Source: can-utils lib.h (frame text) and candump.c (log line). It decides which mutated lines a reader
must accept and what they mean; it shares nothing with bench.session.
"""

from __future__ import annotations

from typing import NamedTuple

DIGITS = b"0123456789"
HEX = b"0123456789abcdefABCDEF"
FD_SIZES = {0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64}


class NotInGrammarError(Exception):
    """The text is no candump line."""


class Accepted(NamedTuple):
    """What a line says. `kind`: standard | extended | error. `shape`: classic | remote | fd.

    `length` is of a remote frame, `raw` its or a classic frame's raw length code, `flags` of FD.
    """

    seconds: bytes
    fraction: bytes
    bus: bytes
    way: bytes
    kind: str
    can_id: int
    shape: str
    data: bytes = b""
    length: int = 0
    raw: int | None = None
    flags: int | None = None


class _Cursor:
    def __init__(self, text: bytes) -> None:
        self.text, self.at = text, 0

    def peek(self) -> bytes:
        return self.text[self.at : self.at + 1]

    def eat(self, allowed: bytes) -> bytes:
        c = self.peek()
        if not c or c not in allowed:
            raise NotInGrammarError
        self.at += 1
        return c

    def run(self, allowed: bytes, least: int, most: int) -> bytes:
        start = self.at
        while self.peek() and self.peek() in allowed and self.at - start < most:
            self.at += 1
        if self.at - start < least:
            raise NotInGrammarError
        return self.text[start : self.at]


def accepted(line: bytes) -> Accepted | None:
    """What a line in the grammar says, else None."""
    try:
        return _line(_Cursor(line))
    except NotInGrammarError:
        return None


def _line(c: _Cursor) -> Accepted:
    c.eat(b"(")
    seconds = c.run(DIGITS, 1, 10)
    c.eat(b".")
    fraction = c.run(DIGITS, 6, 9)
    if len(fraction) not in (6, 9) or int(seconds) > 9_223_372_035:
        raise NotInGrammarError
    c.eat(b")")
    c.run(b" ", 1, len(c.text))
    bus = c.run(bytes(range(33, 127)), 1, 64)
    c.eat(b" ")
    said = _frame(c, Accepted(seconds, fraction, bus, b"R", "", 0, ""))
    if c.peek():
        c.eat(b" ")
        said = said._replace(way=c.eat(b"RT"))
    if c.peek():
        raise NotInGrammarError
    return said


def _frame(c: _Cursor, said: Accepted) -> Accepted:
    digits = c.run(HEX, 3, 8)
    value = int(digits, 16)
    c.eat(b"#")
    if len(digits) == 3:
        kind = "standard"
        if value > 0x7FF:
            raise NotInGrammarError
    elif len(digits) == 8:
        top = value >> 29
        if top not in (0, 1):
            raise NotInGrammarError
        kind = "error" if top else "extended"
    else:
        raise NotInGrammarError
    return _body(c, said._replace(kind=kind, can_id=value & 0x1FFFFFFF))


def _body(c: _Cursor, said: Accepted) -> Accepted:
    error = said.kind == "error"
    if c.peek() and c.peek() in b"Rr" and not error:
        c.eat(b"Rr")
        length = int(c.eat(b"012345678")) if c.peek() and c.peek() in b"012345678" else 0
        return said._replace(shape="remote", length=length, raw=_raw(c) if length == 8 else None)
    if c.peek() == b"#" and not error:
        c.eat(b"#")
        flags = int(c.eat(HEX), 16)
        data = _data(c, dot_first=True)
        if len(data) not in FD_SIZES:
            raise NotInGrammarError
        return said._replace(shape="fd", flags=flags, data=data)
    data = _data(c, dot_first=False)
    if len(data) > 8:
        raise NotInGrammarError
    return said._replace(shape="classic", data=data, raw=_raw(c) if len(data) == 8 and not error else None)


def _raw(c: _Cursor) -> int | None:
    if c.peek() != b"_":
        return None
    c.eat(b"_")
    return int(c.eat(b"9ABCDEFabcdef"), 16)


def _data(c: _Cursor, *, dot_first: bool) -> bytes:
    data = bytearray()
    while True:
        before = c.at
        if c.peek() == b"." and (data or dot_first):
            c.eat(b".")
        if not (c.peek() and c.peek() in HEX):
            c.at = before
            return bytes(data)
        data.append(int(c.eat(HEX) + c.eat(HEX), 16))
