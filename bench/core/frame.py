"""A CAN frame as the bench saw it."""

from __future__ import annotations

from typing import NamedTuple

RX, TX = "R", "T"


class Frame(NamedTuple):
    """One frame; a plain tuple, because millions are made.

    `t_ns`: host stamp, nanoseconds, a multiple of 1000 once recorded. `can_id` without flag bits.
    `direction`: "R" seen by the bench, "T" sent by it. `dlc`: only for remote frames (whose data
    is empty) and raw length codes 9..15; None means len(data).
    """

    t_ns: int
    can_id: int
    data: bytes
    extended: bool = True
    direction: str = RX
    bus: str = "can0"
    remote: bool = False
    error: bool = False
    fd_flags: int | None = None
    dlc: int | None = None

    def describe(self) -> str:
        """`18FF2021#0102` as candump writes it, for messages to people."""
        width = 8 if self.extended else 3
        return f"{self.can_id:0{width}X}#{self.data.hex().upper()}"
