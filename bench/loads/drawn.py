"""What an instrument outside the box may see of a load: how much it draws, and how far that wanders."""

from __future__ import annotations

from typing import NamedTuple

from .bands import Load, band

FULL_PCT = 99.99
WANDER = {"electronic": 0.5, "motor": 0.25}  # share by which a running load may change by itself
STILL = 0.05  # the same of all other loads, warming up included (both: common practice, no source)
INRUSH = 16.0  # times the steady current, just after going on: cold filaments (common practice, no source)
COOL = 3.0  # times the steady current of a dimmed filament, which is cooler, while its pulse lasts (the same)
SAG = 0.93  # a load may have this share of the volts at the supply, behind its wires


class Drawn(NamedTuple):
    """Ampere a circuit draws at the least and at the most, at one instant."""

    lo_a: float
    hi_a: float


NOTHING = Drawn(0.0, 0.0)


def drawn(load: Load, level_pct: float | None, volts: float) -> Drawn:
    """What a load draws with `volts` at the supply. A level that is not known may be any, and has perhaps
    just come; one between off and full is pulsed: an instrument may meet it at either."""
    if level_pct is not None and level_pct <= 0.0:
        return NOTHING
    exact = Load(load.kind, load.rated_a, load.nominal_v, load.tol_pct, 0.0, 0.0)
    limits = band(exact, (100.0, 100.0), (SAG * volts, volts))
    if level_pct is None:
        return Drawn(0.0, INRUSH * limits.fail_high)
    if level_pct < FULL_PCT:
        return Drawn(0.0, (COOL if load.kind == "lamp" else 1.0) * limits.fail_high)
    return Drawn(max(0.0, limits.fail_low), limits.fail_high)


def wander_a(load: Load, level_pct: float | None, volts: float) -> float:
    """By how much the current of a load may differ a moment later, nothing being switched."""
    hi_a = drawn(load, level_pct, volts).hi_a
    full = level_pct is not None and (level_pct <= 0.0 or level_pct >= FULL_PCT)
    return hi_a * WANDER.get(load.kind, STILL) if full else hi_a
