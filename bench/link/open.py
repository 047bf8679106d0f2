"""From the text of the command line to a link."""

from __future__ import annotations

from bench.core.clock import Clock
from bench.core.errors import Complaint, UsageError
from bench.core.link import Link

DEFAULT_BITRATE = 250_000  # what our own messages run at (docs/messages.md)


def open_link(text: str, clock: Clock, *, serial_baud: int | None = None, bus: str = "can0") -> Link:
    """An opened link for `slcan:PORT[@BITRATE]` or `INTERFACE:CHANNEL[@BITRATE]`, e.g.
    `slcan:/dev/ttyACM0@250000`, `socketcan:can0`. BITRATE in bit/s on the CAN bus, default 250000.

    Raises: UsageError for a text that names no link, BenchError when it cannot be opened.
    """
    link = link_from_text(text, clock, serial_baud=serial_baud, bus=bus)
    link.open()
    return link


def link_from_text(text: str, clock: Clock, *, serial_baud: int | None = None, bus: str = "can0") -> Link:
    """The same, not opened yet. Raises: UsageError."""
    interface, colon, rest = text.partition(":")
    channel, bitrate = _bitrate(text, rest)
    if not colon or not interface or not channel:
        expected = "slcan:PORT[@BITRATE] or INTERFACE:CHANNEL, such as slcan:/dev/ttyACM0 or socketcan:can0"
        raise UsageError(Complaint(f"{text!r} names no link", expected=expected))
    if interface == "slcan":
        from .slcan_link import SERIAL_BAUD, SlcanLink

        return SlcanLink(channel, clock, bitrate=bitrate, serial_baud=serial_baud or SERIAL_BAUD, bus=bus)
    if interface == "socketcan":
        from .socketcan_link import SocketCanLink

        return SocketCanLink(channel, clock, bus=bus)
    from .can_link import CanLink, check_interface

    check_interface(interface)
    return CanLink(interface, channel, clock, bitrate=bitrate, bus=bus)


def _bitrate(text: str, rest: str) -> tuple[str, int]:
    channel, at, rate = rest.rpartition("@")
    if not at:
        return rest, DEFAULT_BITRATE
    if not (rate.isascii() and rate.isdigit() and int(rate[:9]) > 0 and len(rate) <= 8):
        expected = "bit/s as a whole number, such as 250000"
        raise UsageError(Complaint(f"bit rate {rate!r} in {text!r} is no number", expected=expected))
    return channel, int(rate)
