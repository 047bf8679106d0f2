"""Names of what can be observed, shared by binding, oracle, judge and report.

A signal's name is `kind:subject`. Values are numbers in the unit below; a value the box marks as
not available or as an error is an Observation with `value` None and the reason.

| kind | subject | value |
|---|---|---|
| state | circuit | 0 off, 1 on |
| level | circuit | output in percent |
| current | circuit | ampere |
| fault | circuit | 0 none, 1 tripped, 2 open load, 3 by hand, 4 overcurrent, 5 overheat |
| lamp | control (`panel helm 1`) | 0 off, 1 on, 2 flashing |
| backlight | panel | percent |
| sensor | sensor | 0 or 1, as the box reports its input |
| supply_v | box | volt |
| total_a | box | ampere |
| boot | box | reason: 1 supply, 2 message, 3 watchdog, 4 command, 0 unknown |
| alive | box | message counter |
| counter | box/message | counter of that message |
| identity | box | text: `firmware 1.4 configuration 9F31A2C7 serial 1042` |
| ack | control | counter of the event acknowledged |
"""

from __future__ import annotations

from typing import NamedTuple


class Observation(NamedTuple):
    """One signal's value out of one frame. `value` None: the box said "not available" (`reason`)."""

    signal: str
    value: float | None
    raw: int = 0
    reason: str = ""


class Undecodable(NamedTuple):
    """A frame that is ours by id but cannot be read; `kind`: short | long | range | mux."""

    message: str
    kind: str
    reason: str
    signals: tuple[str, ...] = ()


FAULT_TRIPPED, FAULT_OPEN, FAULT_BY_HAND, FAULT_OVERCURRENT, FAULT_OVERHEAT = 1, 2, 3, 4, 5
