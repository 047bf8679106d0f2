"""How long a frame can take from being queued to being through, at worst, behind all the others.

**Source:** R. I. Davis, A. Burns, R. J. Bril, J. J. Lukkien, "Controller Area Network (CAN) schedulability
analysis: refuted, revisited and revised", Real-Time Systems 35 (2007): every instance within the busy
period is looked at, not only the first. Interframe space is left out of a response, as in Tindell's tables.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from .frame_length import worst_case_bits
from .readings import BoundMessage

ON_DEMAND_MS = 100.0  # assumed: a message that is neither cyclic nor on change comes no closer than this
INTERFRAME_BITS = 3
_MS = 1_000_000
_LONGEST_NS = 600_000 * _MS


@dataclass(frozen=True, slots=True)
class Stream:
    """Frames of one identifier. `frame_ns`: on the bus, interframe space included; `period_ns`: least
    distance; `jitter_ns`: of queueing. Sorts by `priority`, the lowest wins the bus."""

    name: str
    priority: tuple[int, int, int]
    frame_ns: int
    period_ns: int
    jitter_ns: int = 0


@dataclass(frozen=True, slots=True)
class Response:
    """`worst_ns` of the `instances` in a busy period of `busy_ns`; None: without bound, the bus is full.
    `each_ns`: one by one."""

    name: str
    worst_ns: int | None
    busy_ns: int
    each_ns: tuple[int, ...] = ()

    @property
    def worst_ms(self) -> float | None:
        """The same in ms."""
        return None if self.worst_ns is None else self.worst_ns / _MS


def arbitration(can_id: int, *, extended: bool) -> tuple[int, int, int]:
    """Sorts as the bus decides: an 11-bit frame wins over a 29-bit one of the same first 11 bits."""
    return (can_id >> 18, 1, can_id & 0x3FFFF) if extended else (can_id, 0, 0)


def streams_of(messages: Iterable[BoundMessage], bitrate: int) -> list[Stream]:
    """The messages with their longest frames and least distances at `bitrate` bit/s."""
    return [
        Stream(
            m.name,
            arbitration(m.can_id, extended=m.extended),
            worst_case_bits(m.length, extended=m.extended) * 1_000_000_000 // bitrate,
            round(_least_ms(m) * _MS),
        )
        for m in messages
    ]


def _least_ms(message: BoundMessage) -> float:
    return min((ms for ms in (message.cycle_ms, message.on_change_ms) if ms), default=ON_DEMAND_MS)


def response_times(
    streams: Sequence[Stream], bit_ns: int, *, tail_bits: int = INTERFRAME_BITS
) -> list[Response]:
    """Worst responses in order of priority. `bit_ns`: one bit on the bus; `tail_bits`: of a frame's end that
    do not count. Streams of equal priority are taken as in each other's way."""
    ordered = sorted(streams, key=lambda s: s.priority)
    return [_response(stream, ordered, bit_ns, tail_bits * bit_ns) for stream in ordered]


def _response(stream: Stream, ordered: Sequence[Stream], bit_ns: int, tail_ns: int) -> Response:
    above = [s for s in ordered if s is not stream and s.priority <= stream.priority]
    blocked_ns = max((s.frame_ns for s in ordered if s.priority > stream.priority), default=0)
    busy_ns = _settled(blocked_ns, stream.frame_ns, [stream, *above], 0)
    if busy_ns is None:
        return Response(stream.name, None, 0)
    each: list[int] = []
    waited_ns: int | None = blocked_ns
    for instance in range(_ceil(busy_ns + stream.jitter_ns, stream.period_ns)):
        base_ns = blocked_ns + instance * stream.frame_ns
        waited_ns = _settled(base_ns, max(base_ns, waited_ns or 0), above, bit_ns)
        if waited_ns is None:
            return Response(stream.name, None, busy_ns)
        each.append(stream.jitter_ns + waited_ns - instance * stream.period_ns + stream.frame_ns - tail_ns)
    return Response(stream.name, max(each), busy_ns, tuple(each))


def _settled(base_ns: int, start_ns: int, others: Sequence[Stream], bit_ns: int) -> int | None:
    """The least t with t = base + frames of `others` released until t + one bit; None beyond ten minutes."""
    t_ns = start_ns
    while t_ns < _LONGEST_NS:
        next_ns = base_ns + sum(_ceil(t_ns + s.jitter_ns + bit_ns, s.period_ns) * s.frame_ns for s in others)
        if next_ns <= t_ns:
            return t_ns
        t_ns = next_ns
    return None


def _ceil(span_ns: int, period_ns: int) -> int:
    return -(-span_ns // period_ns)
