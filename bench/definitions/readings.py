"""What decoding gives back, and plain data about the bound messages."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from bench.core.signal import Observation, Undecodable


class ControlEvent(NamedTuple):
    """A cause found in a control frame: `kind` press | release | sensor | wake (core.event).

    `counter`: the event's own counter, None where the definitions have none.
    """

    kind: str
    name: str
    value: int
    counter: int | None = None


class Reading(NamedTuple):
    """One frame of ours.

    `message`: unique name such as `main/ChannelState1`. `node`: `main` (a box), `panel helm`,
    `screen helm`, `sensors main` or `wake`. `is_control`: a frame that the bench, a panel, a screen
    or a sensor module sends; its `events` are stimuli. `body`: the observations without the message
    counters; the very same tuple as long as the payload says the same.
    """

    message: str
    node: str
    is_control: bool
    observations: tuple[Observation, ...] = ()
    events: tuple[ControlEvent, ...] = ()
    undecodable: Undecodable | None = None
    body: tuple[Observation, ...] = ()


@dataclass(frozen=True, slots=True)
class BoundMessage:
    """A message that carries something of the spec. A page of a multiplexed one counts as its own.

    A frame belongs to it when `(id ^ can_id) & id_mask == 0`, `extended` is alike, and its
    multiplexer says so. `length` in bytes. `on_change_ms`: least spacing of on-change frames, None
    when it is not sent on change. `cycle_ms`: None when it is not cyclic.
    `signals`: names of core.signal; for control messages the controls or sensors it carries.
    `counter_bits`: size of its message counter, 0 when it has none; messages with the same `counted_as`
    share one counter.
    """

    name: str
    node: str
    can_id: int
    id_mask: int
    extended: bool
    length: int
    cycle_ms: float | None
    on_change_ms: float | None
    signals: tuple[str, ...]
    is_control: bool = False
    database_message: str = ""
    counter_bits: int = 0
    counted_as: str = ""


@dataclass(frozen=True, slots=True)
class RawField:
    """Where a signal's raw value lies and what it means, for readers without definitions.

    `bits`: absolute positions 8 * byte + bit (0 least significant), most significant first.
    `start`, `size`, `byte_order` (little | big) as in the DBC. `off`, `on`, `not_available`: raw
    values, as `bits` give them (unsigned); at most 4096 each. `selectors`: (bits, value) that must
    hold as well in a multiplexed message.
    """

    can_id: int
    id_mask: int
    extended: bool
    length: int
    start: int
    size: int
    byte_order: str
    bits: tuple[int, ...]
    off: tuple[int, ...]
    on: tuple[int, ...]
    not_available: tuple[int, ...]
    selectors: tuple[tuple[tuple[int, ...], int], ...] = ()


@dataclass(frozen=True, slots=True)
class KeyTemplate:
    """A key event ready to send but for its counter, whose place `counter_bits` gives (may be empty)."""

    node: str
    can_id: int
    extended: bool
    data: bytes
    counter_bits: tuple[int, ...] = ()
