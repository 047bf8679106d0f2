"""How much of a bus the cyclic messages of the definitions take."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from .frame_length import nominal_bits, worst_case_bits
from .readings import BoundMessage


@dataclass(frozen=True, slots=True)
class MessageLoad:
    """One cyclic message: percent of the bus without and with the most stuff bits there could be."""

    name: str
    cycle_ms: float
    nominal_pct: float
    worst_pct: float


@dataclass(frozen=True, slots=True)
class BusLoad:
    """`frames_per_s`, `nominal_pct`, `worst_pct`: all cyclic messages together.

    `not_cyclic`: messages sent on demand or on change only, which come on top.
    """

    bitrate: int
    frames_per_s: float
    nominal_pct: float
    worst_pct: float
    messages: tuple[MessageLoad, ...]
    not_cyclic: tuple[str, ...]


def bus_load(messages: Iterable[BoundMessage], bitrate: int) -> BusLoad:
    """The load at `bitrate` bit/s, from cycle times; a page of a multiplexed message counts as one."""
    loads: list[MessageLoad] = []
    rest: list[str] = []
    for m in messages:
        if not m.cycle_ms:
            rest.append(m.name)
            continue
        per_bit_pct = 100_000.0 / (m.cycle_ms * bitrate)
        nominal = nominal_bits(m.length, extended=m.extended) * per_bit_pct
        worst = worst_case_bits(m.length, extended=m.extended) * per_bit_pct
        loads.append(MessageLoad(m.name, m.cycle_ms, nominal, worst))
    return BusLoad(
        bitrate=bitrate,
        frames_per_s=sum(1000.0 / m.cycle_ms for m in loads),
        nominal_pct=sum(m.nominal_pct for m in loads),
        worst_pct=sum(m.worst_pct for m in loads),
        messages=tuple(sorted(loads, key=lambda m: -m.worst_pct)),
        not_cyclic=tuple(rest),
    )
