"""How the bench sees a CAN link, real or virtual."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from .entry import Entry


@dataclass(frozen=True, slots=True)
class Meter:
    """What is stated of how a supply shows its current: a step of `detects_a` shows for sure, two readings
    of the same current differ by less than half of that; a reading is at most `lag_ms` old when asked for."""

    detects_a: float
    lag_ms: float


@dataclass(frozen=True, slots=True)
class LinkFacts:
    """What a link declares of itself.

    `confirms`: a send is acknowledged (Confirmed / Refused entries come). `echo`: none | flagged.
    `jitter_ms`: declared worst time between a frame being on the bus and its stamp, or between the
    stamp of a send and its being on the bus. `switches_supply`: SupplySwitched can be asked for.
    `complete`: it would tell (Dropped) of every frame it lost, the adapter's own losses included.
    `timely`: it would tell (AdapterLate, HostLate) of every stamp later than the jitter, also when the
    adapter held frames back; asked once the link is open. `pause_ms`: between two of its proofs of that.
    `meter`: the supply is read, and this is stated of its current. `sets_volts`: its voltage can be set.
    """

    name: str
    confirms: bool
    echo: str
    jitter_ms: float
    switches_supply: bool = False
    complete: bool = False
    timely: bool = False
    pause_ms: float = 0.0
    meter: Meter | None = None
    sets_volts: bool = False


def stamp_error_ms(declared_ms: float, trip_ms: float, pause_ms: float = 0.0) -> float:
    """How late a stamp may be, from what a link declares and the worst round trip of its loop test: what came
    behind one answer shows with the next, a round trip, `pause_ms` and a round trip later."""
    return round(max(declared_ms, 2 * trip_ms + pause_ms), 3)


@dataclass(frozen=True, slots=True)
class LinkStatistics:
    """Counters since opening; read-only."""

    received: int
    sent: int
    confirmed: int
    refused: int
    dropped: int
    garbage: int
    worst_confirm_ms: float
    worst_send_late_ms: float


class Link(Protocol):
    """One owner at a time; what it saw comes out of `wait` in order of arrival.

    Out of `wait` come: Frame (R received, T for each frame sent by us, stamped just before it was
    handed to the adapter), Confirmed / Refused (tag = running number of the T frame, from 0), Alive
    at least every 50 ms, Dropped, HostLate and AdapterLate after what they tell of, LinkLost (once,
    last), SupplySwitched.
    """

    @property
    def facts(self) -> LinkFacts: ...

    def open(self) -> None:
        """Raises BenchError with what to do when the port is missing, busy or mute."""
        ...

    def send_at(self, t_ns: int, can_id: int, data: bytes, extended: bool = True) -> None:
        """Queue one frame for the absolute instant `t_ns` (at once when past). Never blocks."""
        ...

    def switch_supply_at(self, t_ns: int, box: str, on: bool) -> None:
        """Only where facts.switches_supply."""
        ...

    def wait(self, until_ns: int) -> list[Entry]:
        """Entries since the last call. Blocks until at least one is there or now >= until_ns."""
        ...

    def loop_test(self) -> float | None:
        """Worst of several round trips to the adapter in ms, before any stimulus; None: cannot."""
        ...

    def statistics(self) -> LinkStatistics: ...

    def close(self) -> None:
        """Ends the thread and releases the port; safe to call twice."""
        ...


class VoltsLink(Link, Protocol):
    """A link whose facts say `sets_volts`: SupplySet and SupplyReached come out of it as well."""

    def set_volts_at(self, t_ns: int, volts: float) -> None:
        """Queue another voltage of the supply for the absolute instant `t_ns`. Never blocks."""
        ...
