"""What the conformance kit needs on the other side of a link."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from typing import Protocol

from bench.core.clock import Clock
from bench.core.link import Link

Sendable = tuple[int, bytes, bool]  # identifier, data, extended

REFUSE, GARBAGE, UNPLUG, SILENT_ADAPTER = "refuse", "garbage", "unplug", "silent adapter"
BUS_OFF, HOLD = "bus-off", "hold"


class FarEnd(Protocol):
    """The bus (and the adapter) that a link under test is connected to.

    `abilities`: which of REFUSE, GARBAGE, UNPLUG, SILENT_ADAPTER, BUS_OFF, HOLD it can play; checks that need
    another one say so by raising CannotPlay.
    """

    @property
    def link(self) -> Link:
        """The link under test, not opened yet."""
        ...

    @property
    def clock(self) -> Clock: ...

    @property
    def abilities(self) -> frozenset[str]: ...

    def inject(self, frames: Sequence[Sendable]) -> None:
        """Put frames on the bus, as another node would, in this order, now."""
        ...

    def sent(self) -> list[Sendable]:
        """Frames the link has put on the bus so far, in order."""
        ...

    def refuse(self, refusing: bool, /) -> None:
        """From now on the adapter refuses sends (or not)."""
        ...

    def garbage(self, data: bytes) -> None:
        """The adapter says bytes that are no part of the protocol."""
        ...

    def unplug(self) -> None:
        """The adapter goes away."""
        ...

    def silence(self) -> None:
        """The adapter says nothing any more, but stays plugged in."""
        ...

    def hold(self, for_ns: int, /) -> None:
        """From now on, for so long, all that the adapter has to say waits within it."""
        ...

    def bus_off(self) -> None:
        """The adapter's controller withdraws from the bus."""
        ...


FarEndFactory = Callable[[], AbstractContextManager[FarEnd]]


class NotConformingError(AssertionError):
    """The link does not do what the contract in bench/core/link.py says."""


class CannotPlayError(Exception):
    """This far end cannot play what the check needs; the check says nothing about the link."""
