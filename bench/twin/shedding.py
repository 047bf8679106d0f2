"""What boxes do about a supply that is low for long, and when it is back."""

from __future__ import annotations

from collections.abc import Mapping

from bench.twin.bus import NEVER
from bench.twin.channels import Channels
from bench.twin.electrics import Electrics
from bench.twin.operations import Operations
from bench.twin.power import MS, Power


class Shedding:
    """Sheds the channels of each box that has limits for it."""

    def __init__(
        self, power: Mapping[str, Power], channels: Channels, operations: Operations, electrics: Electrics
    ) -> None:
        self._power, self._channels = power, channels
        self._operations, self._electrics = operations, electrics

    def mind(self, now_ns: int) -> None:
        """Has the voltage been below or above its limit for long enough?"""
        if any(p.row.shed for p in self._power.values()):
            self._electrics.refresh(now_ns)
        volts = self._electrics.volts
        for power in self._power.values():
            limits = power.row.shed
            if limits is None or power.ordered:
                continue
            low, high = volts < limits.below_v, volts > limits.above_v
            power.low_since = (power.low_since or now_ns) if low else 0
            power.high_since = (power.high_since or now_ns) if high else 0
            if not power.shed and low and now_ns >= power.low_since + int(limits.for_ms * MS):
                self._set(power, True, now_ns)
            elif power.shed and high and now_ns >= power.high_since + int(limits.back_ms * MS):
                self._set(power, False, now_ns)

    def order(self, box: str, on: bool, now_ns: int) -> None:
        """Shed, or no longer, whatever the voltage."""
        power = self._power[box]
        power.ordered = on
        self._set(power, on, now_ns)

    def _set(self, power: Power, on: bool, now_ns: int) -> None:
        limits = power.row.shed
        if limits is None or power.shed == on:
            return
        power.shed = on
        for c in limits.channels:
            self._channels.set_shed(c, on, limits.restore, now_ns)
        self._channels.settle(now_ns)
        self._operations.spend(now_ns)

    def next_due(self) -> int:
        """When the voltage will have been low or high for long enough, or `NEVER`."""
        due = NEVER
        for power in self._power.values():
            limits = power.row.shed
            if limits is None or power.ordered:
                continue
            if power.low_since and not power.shed:
                due = min(due, power.low_since + int(limits.for_ms * MS))
            if power.high_since and power.shed:
                due = min(due, power.high_since + int(limits.back_ms * MS))
        return due
