"""One line of candump text (`candump -L`), both ways, exactly.

Source of the grammar: can-utils, candump.c (log line) and lib.h/lib.c (frame text). The direction
suffix ` R` / ` T` is what candump writes with -x and python-can always writes. A line without it
is a received frame. What the grammar does not allow is refused with a reason, never repaired.
"""

from __future__ import annotations

import re
from binascii import unhexlify
from typing import NoReturn

from bench.core.errors import InternalError
from bench.core.frame import RX, Frame

ERROR_FLAG = 0x20000000  # linux/can.h CAN_ERR_FLAG
MAX_EXTENDED, MAX_STANDARD = 0x1FFFFFFF, 0x7FF
MAX_SECONDS = 9_223_372_035  # stamps fit a signed 64-bit count of nanoseconds
FD_LENGTHS = frozenset((*range(9), 12, 16, 20, 24, 32, 48, 64))  # ISO 11898-1 data length codes

_COMMON = re.compile(
    rb"\((\d{1,10})\.(\d{6})\) ([!-~]{1,64}) ([01][0-9A-Fa-f]{7}|[0-7][0-9A-Fa-f]{2})"
    rb"#([0-9A-Fa-f]{0,16})(?: ([RT]))?"
).fullmatch
_LINE = re.compile(
    rb"\((\d{1,10})\.(\d{6}|\d{9})\) +([!-~]{1,64}) ([0-9A-Fa-f]+)#([!-~]*?)(?: ([RT]))?"
).fullmatch
_REMOTE = re.compile(rb"[Rr](?:([0-8])(?:_([9A-Fa-f]))?)?").fullmatch
_DATA = re.compile(rb"((?:[0-9A-Fa-f]{2}(?:\.?[0-9A-Fa-f]{2})*)?)(?:_([9A-Fa-f]))?").fullmatch
_FD = re.compile(rb"#([0-9A-Fa-f])\.?((?:[0-9A-Fa-f]{2}(?:\.?[0-9A-Fa-f]{2})*)?)").fullmatch
_BUS_NAME = re.compile(r"[!-~]{1,64}").fullmatch
_new = tuple.__new__
_names: dict[bytes, str] = {}


class BadLineError(ValueError):
    """A line that is no frame; the text says why."""


def parse_line(line: bytes) -> Frame:
    """The frame of one line without its line end. Raises BadLineError with the reason."""
    common = _COMMON(line)
    if common is None:
        return _parse_rare(line)
    seconds, micros, bus, can_id, data, direction = common.groups()
    if len(data) & 1 or seconds > b"9223372035":
        return _parse_rare(line)
    name = _names.get(bus) or _name(bus)
    return _new(
        Frame,
        (
            int(seconds + micros) * 1000,
            int(can_id, 16),
            unhexlify(data),
            len(can_id) == 8,
            "T" if direction == b"T" else RX,
            name,
            False,
            False,
            None,
            None,
        ),
    )


def _name(bus: bytes) -> str:
    if len(_names) > 1000:
        _names.clear()
    return _names.setdefault(bus, bus.decode("ascii"))


def _parse_rare(line: bytes) -> Frame:
    """Everything but the common shape: nanosecond stamps, remote, error, FD, dots, raw DLC."""
    match = _LINE(line)
    if match is None:
        _explain(line)
    seconds, fraction, bus, id_text, body, direction = match.groups()
    if int(seconds) > MAX_SECONDS:
        raise BadLineError(f"stamp of {int(seconds)} s is beyond what nanoseconds can count")
    t_ns = int(seconds) * 1_000_000_000 + int(fraction) * (1000 if len(fraction) == 6 else 1)
    can_id, extended, error = _parse_id(id_text)
    data, remote, fd_flags, dlc = _parse_body(body)
    if error and (remote or fd_flags is not None or dlc is not None):
        raise BadLineError("an error frame is neither remote nor FD and has no raw length code")
    way = RX if direction is None else direction.decode("ascii")
    return Frame(t_ns, can_id, data, extended, way, _name(bus), remote, error, fd_flags, dlc)


def _parse_id(text: bytes) -> tuple[int, bool, bool]:
    """Identifier, extended, error."""
    value = int(text, 16)
    if len(text) == 3:
        if value > MAX_STANDARD:
            raise BadLineError(f"standard identifier {value:03X} is above 7FF")
        return value, False, False
    if len(text) != 8:
        raise BadLineError(f"identifier has {len(text)} digits, expected 3 or 8")
    if value & ERROR_FLAG and not value & ~(ERROR_FLAG | MAX_EXTENDED):
        return value & MAX_EXTENDED, True, True
    if value > MAX_EXTENDED:
        raise BadLineError(f"extended identifier {value:08X} is above 1FFFFFFF")
    return value, True, False


def _parse_body(body: bytes) -> tuple[bytes, bool, int | None, int | None]:
    """Data, remote, FD flags, data length code."""
    if match := _DATA(body):
        data = unhexlify(match[1].replace(b".", b""))
        if len(data) > 8:
            raise BadLineError(f"classic frame has {len(data)} data bytes, at most 8 are possible")
        if match[2] is not None and len(data) != 8:
            raise BadLineError(f"raw length code {match[2].decode()} needs 8 data bytes, found {len(data)}")
        return data, False, None, None if match[2] is None else int(match[2], 16)
    if match := _REMOTE(body):
        length, raw = match.groups()
        if raw is not None and length != b"8":
            raise BadLineError(f"raw length code {raw.decode()} needs length 8, found {length.decode()}")
        return b"", True, None, (int(raw, 16) if raw else int(length or b"0") or None)
    if match := _FD(body):
        data = unhexlify(match[2].replace(b".", b""))
        if len(data) not in FD_LENGTHS:
            raise BadLineError(f"an FD frame cannot have {len(data)} data bytes")
        return data, False, int(match[1], 16), None
    raise BadLineError(f"data {_shown(body)} is not whole bytes in hex")


def _explain(line: bytes) -> NoReturn:
    """Say which part is missing."""
    if not line.startswith(b"("):
        raise BadLineError("no stamp such as (1436509052.249713) at the start")
    stamp = line[: line.find(b")") + 1]
    if not re.fullmatch(rb"\(\d{1,10}\.(\d{6}|\d{9})\)", stamp):
        raise BadLineError(f"stamp {_shown(stamp or line)} is not seconds with 6 or 9 decimals")
    if b"#" not in line:
        raise BadLineError("no frame such as 18FF2021#0102 after the stamp and interface name")
    raise BadLineError("expected one line of stamp, interface name, frame and optional R or T")


def _shown(text: bytes) -> str:
    return repr(text[:40].decode("ascii", "backslashreplace"))


def format_head(can_id: int, extended: bool, error: bool, bus: str) -> str:
    """` can0 18FF2021#`. Raises InternalError for a name or identifier that text cannot hold."""
    if not _BUS_NAME(bus):
        raise InternalError(f"interface name {bus!r} cannot be written into candump text")
    if not 0 <= can_id <= (MAX_EXTENDED if extended or error else MAX_STANDARD):
        raise InternalError(f"identifier {can_id:X} is out of range")
    if error:
        return f" {bus} {can_id | ERROR_FLAG:08X}#"
    return f" {bus} {can_id:08X}#" if extended else f" {bus} {can_id:03X}#"


def format_body(frame: Frame) -> str:
    """What stands after the `#` of any kind of frame. Raises InternalError when nothing fits."""
    size, dlc, fd = len(frame.data), frame.dlc, frame.fd_flags
    text = frame.data.hex().upper()
    special = frame.remote or fd is not None or dlc is not None
    if frame.error and special:
        raise InternalError("an error frame is neither remote nor FD and has no raw length code")
    if frame.remote and not size and fd is None and (dlc is None or 0 <= dlc <= 15):
        return "R" + ("" if not dlc else str(dlc) if dlc <= 8 else f"8_{dlc:X}")
    if fd is not None and not frame.remote and dlc is None and 0 <= fd <= 15 and size in FD_LENGTHS:
        return f"#{fd:X}{text}"
    if not frame.remote and fd is None and size <= 8:
        if dlc is None or dlc == size:
            return text
        if size == 8 and 9 <= dlc <= 15:
            return f"{text}_{dlc:X}"
    raise InternalError(f"frame {frame!r} has no candump text")


def format_frame(frame: Frame) -> str:
    """The line of a frame, with line end; its stamp must be whole microseconds and not negative."""
    seconds, rest_ns = divmod(frame.t_ns, 1_000_000_000)
    if not 0 <= seconds <= MAX_SECONDS or rest_ns % 1000:
        raise InternalError(f"stamp {frame.t_ns} ns cannot be written in whole microseconds")
    head = format_head(frame.can_id, frame.extended, frame.error, frame.bus)
    return f"({seconds:010d}.{rest_ns // 1000:06d}){head}{format_body(frame)} {frame.direction}\n"
