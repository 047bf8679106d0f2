"""The three layouts of candump text, and what one line of a recording holds.

Besides the log layout (`candump -L`) candump prints a layout for people, with the length in
brackets, with stamps (`-t a`) and without. A recording has one layout throughout, that of its
first frame. Source: can-utils, candump.c (line) and lib.c, fprint_long_canframe (frame).
"""

from __future__ import annotations

import re
from binascii import unhexlify
from collections.abc import Callable
from typing import NamedTuple

from bench.core.frame import RX, Frame

from .candump import (
    ERROR_FLAG,
    FD_LENGTHS,
    MAX_EXTENDED,
    MAX_SECONDS,
    MAX_STANDARD,
    BadLineError,
    parse_line,
)

HALF = "half a line: the recording was cut here"
_BRACKET = re.compile(
    rb" *(?:\((?P<stamp>[^()]{1,40})\) +)?(?P<bus>[!-~]{1,64})"
    rb"(?: +(?P<way>RX|TX) (?P<flags>[B-] [E-]))? +(?P<id>[0-9A-Fa-f]{8}|[0-9A-Fa-f]{3})"
    rb" +\[(?P<size>\d{1,2})\](?P<data>(?: +[0-9A-Fa-f]{2})*)(?P<rest>.*)"
).fullmatch
_STAMP = re.compile(rb"(\d{10})\.(\d{6}|\d{9})").fullmatch
_RELATIVE = re.compile(rb"\d{1,9}\.(\d{6}|\d{9})").fullmatch
_REST = re.compile(rb" *|(?P<remote> +remote request) *|(?P<error> +ERRORFRAME) *|(?P<text> +'.*')").fullmatch
_DROPCOUNT = re.compile(rb"DROPCOUNT: dropped (\d{1,18}) CAN frames? on '(.*)' socket .*").fullmatch


class Lost(NamedTuple):
    """A line that holds no frame though one is missing there: it cannot be read, or (`where` is not
    empty) candump says in it that the kernel lost `lost` frames.
    """

    text: bytes
    reason: str
    where: str = ""
    lost: int = 1


class Layout(NamedTuple):
    """How lines are read; `timed`: whether frames have stamps (those without have t_ns 0)."""

    name: str
    parse: Callable[[bytes], Frame]
    timed: bool


def contents(line: bytes, whole: bool, parse: Callable[[bytes], Frame]) -> Frame | Lost | None:
    """The line's frame; Lost where one is missing; None for a line that is no record."""
    if not whole:
        return Lost(line, HALF)
    try:
        return parse(line)
    except BadLineError as e:
        reason = str(e)
    if not line or line[:1] == b"#" or line.isspace():
        return None
    if match := _DROPCOUNT(line):  # candump itself says that frames were lost
        where = f"kernel, for {match[2].decode('ascii', 'replace')}"
        return Lost(line, "", where, int(match[1]))
    return Lost(line, reason)


def parse_stamped(line: bytes) -> Frame:
    """A line as `candump -t a` prints it. Raises BadLineError with the reason."""
    return _parse(line, timed=True)


def parse_unstamped(line: bytes) -> Frame:
    """A line as plain `candump` prints it; t_ns is 0. Raises BadLineError with the reason."""
    return _parse(line, timed=False)


LOG = Layout("candump log", parse_line, True)
STAMPED = Layout("candump with lengths in brackets", parse_stamped, True)
UNSTAMPED = Layout("candump with lengths in brackets, without stamps", parse_unstamped, False)
LAYOUTS = (LOG, STAMPED, UNSTAMPED)


def layout_of(line: bytes) -> Layout | None:
    """The layout in which a line holds a frame."""
    for layout in LAYOUTS:
        try:
            layout.parse(line)
        except BadLineError:
            continue
        return layout
    return None


def is_bracketed(line: bytes) -> bool:
    """Whether a line has the other layout's shape, be its contents right or wrong."""
    return _BRACKET(line) is not None


def _parse(line: bytes, *, timed: bool) -> Frame:
    match = _BRACKET(line)
    if match is None:
        raise BadLineError("expected interface name, identifier, [length] and data bytes")
    t_ns = _time(match["stamp"], timed)
    can_id, extended, error = _identifier(match["id"])
    rest = _REST(match["rest"])
    if rest is None:
        text = match["rest"][:40].decode("ascii", "backslashreplace")
        raise BadLineError(f"{text!r} behind the data bytes cannot be read")
    if error != (rest["error"] is not None):
        raise BadLineError("an error frame has both the error bit and the word ERRORFRAME")
    data = unhexlify(match["data"].replace(b" ", b""))
    size, is_fd = int(match["size"]), len(match["size"]) == 2
    bus = match["bus"].decode("ascii")
    way = "T" if match["way"] == b"TX" else RX
    if rest["remote"] is not None:
        if is_fd or data or size > 8:
            raise BadLineError("a remote frame has no data and a length of at most 8")
        return Frame(t_ns, can_id, b"", extended, way, bus, remote=True, dlc=size or None)
    if len(data) != size:
        raise BadLineError(f"length {size} but {len(data)} data bytes")
    if size not in FD_LENGTHS or (size > 8 and not is_fd):
        raise BadLineError(f"a frame cannot have {size} data bytes")
    if not is_fd:
        return Frame(t_ns, can_id, data, extended, way, bus, error=error)
    if error:
        raise BadLineError("an error frame is not FD")
    flags = match["flags"] or b"- -"  # without -x they are not printed
    return Frame(
        t_ns, can_id, data, extended, way, bus, fd_flags=(flags[:1] == b"B") + 2 * (flags[2:] == b"E")
    )


def _time(stamp: bytes | None, timed: bool) -> int:
    if stamp is None:
        if timed:
            raise BadLineError("no stamp, though the recording has them")
        return 0
    if not timed:
        raise BadLineError("a stamp, though the recording has none")
    if match := _STAMP(stamp):
        seconds, fraction = match.groups()
        if int(seconds) > MAX_SECONDS:
            raise BadLineError(f"stamp of {int(seconds)} s is beyond what nanoseconds can count")
        return int(seconds) * 1_000_000_000 + int(fraction) * (1000 if len(fraction) == 6 else 1)
    if _RELATIVE(stamp):
        raise BadLineError(
            "the stamp is relative, since the start (-t z) or since the last frame (-t d), which look alike; "
            "record with -L or -t a"
        )
    raise BadLineError("the stamp is not seconds since 1970; record with -L or -t a")


def _identifier(text: bytes) -> tuple[int, bool, bool]:
    """Identifier, extended, error."""
    value = int(text, 16)
    if len(text) == 3:
        if value > MAX_STANDARD:
            raise BadLineError(f"standard identifier {value:03X} is above 7FF")
        return value, False, False
    if value & ERROR_FLAG and not value & ~(ERROR_FLAG | MAX_EXTENDED):
        return value & MAX_EXTENDED, True, True
    if value > MAX_EXTENDED:
        raise BadLineError(f"extended identifier {value:08X} is above 1FFFFFFF")
    return value, True, False
