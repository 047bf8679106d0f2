"""A box's being on, off, asleep, or on its way between."""

from __future__ import annotations

from dataclasses import dataclass

from bench.twin.tables import BoxRow

BY_SUPPLY, BY_MESSAGE, BY_WATCHDOG = 1, 2, 3
MS = 1_000_000  # ns


@dataclass(slots=True)
class Power:
    """A box's being on or off."""

    row: BoxRow
    powered: bool = True
    awake: bool = True
    boot_at: int = 0
    reason: int = BY_SUPPLY
    boots: int = 0
    lost_supply: bool = False
    unavailable_until: int = 0
    low_since: int = 0
    high_since: int = 0
    shed: bool = False
    ordered: bool = False  # shed by order, whatever the voltage
