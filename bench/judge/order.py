"""Stimuli so close together that nobody promises their order, and the orders they may have had."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from bench.core.model import Cause

from .trace import Switch
from .world import World

MOST_TOGETHER = 7  # stimuli that hang together by being close
MOST_ORDERS = 128


class TooManyOrders(Exception):  # noqa: N818 - never leaves the judge
    """More orders than worth following."""


@dataclass(slots=True)
class Happened:
    """A stimulus that reached a cluster at `switch`.

    `causes`: what it may mean to the cluster; more than one where another cluster decides. `near_ns`:
    anything closer than this has no defined order with it, but for what comes from the same source
    `who`. `optional`: it may not have happened at all.
    """

    number: int
    who: str
    causes: list[Cause]
    switch: Switch
    near_ns: int
    optional: bool = False

    def ordered_before(self, later: Happened) -> bool:
        """Whether the box must have taken it before `later`, which was stamped no earlier."""
        if self.who == later.who:
            return True
        return later.switch.hi - self.switch.hi >= max(self.near_ns, later.near_ns)


@dataclass(slots=True)
class Chain:
    """Stimuli that hang together, oldest first. `base`: copies of the worlds before the first of them."""

    base: list[World]
    events: list[Happened] = field(default_factory=list)

    def holds(self, t_ns: int, near_ns: int, but: str | None = None) -> bool:
        """Whether a stimulus at `t_ns` has no defined order with one of these, source `but` apart."""
        return any(t_ns - e.switch.hi < max(near_ns, e.near_ns) for e in self.events if e.who != but)

    def find(self, number: int) -> Happened | None:
        """The stimulus of that number."""
        return next((e for e in self.events if e.number == number), None)

    def orders(self) -> Iterator[tuple[Happened, ...]]:
        """Every permitted order, without any set of optional stimuli. The stamped one comes first.

        Raises: TooManyOrders.
        """
        if len(self.events) > MOST_TOGETHER:
            raise TooManyOrders
        for count, order in enumerate(_orders(self.events)):
            if count >= MOST_ORDERS:
                raise TooManyOrders
            yield order


def _orders(left: Sequence[Happened]) -> Iterator[tuple[Happened, ...]]:
    if not left:
        yield ()
        return
    for i, first in enumerate(left):
        if any(before.ordered_before(first) for before in left[:i]):
            continue
        rest = (*left[:i], *left[i + 1 :])
        for order in _orders(rest):
            yield (first, *order)
        if first.optional:
            yield from _orders(rest)


def instants(order: Sequence[Happened]) -> list[Switch]:
    """When each stimulus of an order took effect: not before those that it came after.

    Each is a nanosecond later than the last at least, so that what lay between may have been seen.
    """
    out: list[Switch] = []
    lo = hi = 0
    for event in order:
        lo = max(lo + 1, event.switch.lo) if out else event.switch.lo
        hi = max(hi + 1, event.switch.hi) if out else event.switch.hi
        out.append(Switch(lo, hi))
    return out
