"""The grammar of a candump line, written a second time as a plain reader of characters.

Source: can-utils lib.h (frame text) and candump.c (log line), facts CDL-01, CDL-02. It decides which
mutated lines the reader must accept; it shares nothing with bench.session.candump.
"""

DIGITS = b"0123456789"
HEX = b"0123456789abcdefABCDEF"
FD_SIZES = {0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64}


class NoError(Exception):
    """Not in the grammar."""


class Cursor:
    def __init__(self, text):
        self.text, self.at = text, 0

    def peek(self):
        return self.text[self.at : self.at + 1]

    def eat(self, allowed):
        c = self.peek()
        if not c or c not in allowed:
            raise NoError
        self.at += 1
        return c

    def run(self, allowed, least, most):
        start = self.at
        while self.peek() and self.peek() in allowed and self.at - start < most:
            self.at += 1
        if self.at - start < least:
            raise NoError
        return self.text[start : self.at]


def accepted(line):
    """(seconds text, fraction text, bus, what) of a line in the grammar, else None."""
    try:
        return _line(Cursor(line))
    except NoError:
        return None


def _line(c):
    c.eat(b"(")
    seconds = c.run(DIGITS, 1, 10)
    c.eat(b".")
    fraction = c.run(DIGITS, 6, 9)
    if len(fraction) not in (6, 9) or int(seconds) > 9_223_372_035:
        raise NoError
    c.eat(b")")
    c.run(b" ", 1, len(c.text))
    bus = c.run(bytes(range(33, 127)), 1, 64)
    c.eat(b" ")
    what = _frame(c)
    way = b"R"
    if c.peek():
        c.eat(b" ")
        way = c.eat(b"RT")
    if c.peek():
        raise NoError
    return seconds, fraction, bus, way, what


def _frame(c):
    digits = c.run(HEX, 3, 8)
    value = int(digits, 16)
    c.eat(b"#")
    if len(digits) == 3:
        kind = "standard"
        if value > 0x7FF:
            raise NoError
    elif len(digits) == 8:
        top = value >> 29
        if top not in (0, 1):
            raise NoError
        kind = "error" if top else "extended"
    else:
        raise NoError
    return kind, value & 0x1FFFFFFF, _body(c, kind)


def _body(c, kind):
    if c.peek() and c.peek() in b"Rr" and kind != "error":
        c.eat(b"Rr")
        length = int(c.eat(b"012345678")) if c.peek() and c.peek() in b"012345678" else 0
        return "remote", length, _raw(c) if length == 8 else None
    if c.peek() == b"#" and kind != "error":
        c.eat(b"#")
        flags = int(c.eat(HEX), 16)
        data = _data(c, dot_first=True)
        if len(data) not in FD_SIZES:
            raise NoError
        return "fd", flags, data
    data = _data(c, dot_first=False)
    if len(data) > 8:
        raise NoError
    return "classic", data, _raw(c) if len(data) == 8 and kind != "error" else None


def _raw(c):
    if c.peek() != b"_":
        return None
    c.eat(b"_")
    return int(c.eat(b"9ABCDEFabcdef"), 16)


def _data(c, dot_first):
    data = bytearray()
    while True:
        before = c.at
        if c.peek() == b"." and (data or dot_first):
            c.eat(b".")
        if not (c.peek() and c.peek() in HEX):
            c.at = before
            return bytes(data)
        data.append(int(c.eat(HEX) + c.eat(HEX), 16))
