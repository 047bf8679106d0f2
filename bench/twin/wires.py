"""Copper wires: resistance by length and cross-section."""

from __future__ import annotations

_COPPER_OHM_MM2_PER_M = 1 / 58  # 100 % IACS at 20 degC (facts WIR-14)


def wire_ohm(one_way_m: float, mm2: float) -> float:
    """Resistance of a two-conductor copper wire out and back, at 20 degC."""
    return 2 * one_way_m * _COPPER_OHM_MM2_PER_M / mm2


def awg_mm2(awg: int) -> float:
    """Cross-section of a solid conductor. Source: ASTM B258, d = 0.127 mm x 92^((36-n)/39)."""
    return float(0.127 * 92 ** ((36 - awg) / 39)) ** 2 * 3.141592653589793 / 4
