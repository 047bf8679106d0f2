"""Published figures about wires: allowance by gauge, cross-section, voltage drop.

Gauges are whole numbers; 0 is 1/0, -1 is 2/0, -2 is 3/0, -3 is 4/0.
"""

from __future__ import annotations

import math

from bench.spec.model import Wire

INSULATION_C = (60, 75, 80, 90, 105, 125, 200)
# Allowable amperage of conductors, 30 degC ambient, by insulation rating in the order above.
# Source: 33 CFR 183.425, Table 5.
TABLE_5: dict[int, tuple[int, ...]] = {
    18: (10, 10, 15, 20, 20, 25, 25),
    16: (15, 15, 20, 25, 25, 30, 35),
    14: (20, 20, 25, 30, 35, 40, 45),
    12: (25, 25, 35, 40, 45, 50, 55),
    10: (40, 40, 50, 55, 60, 70, 70),
    8: (55, 65, 70, 70, 80, 90, 100),
    6: (80, 95, 100, 100, 120, 125, 135),
    4: (105, 125, 130, 135, 160, 170, 180),
    3: (120, 145, 150, 155, 180, 195, 210),
    2: (140, 170, 175, 180, 210, 225, 240),
    1: (165, 195, 210, 210, 245, 265, 280),
    0: (195, 230, 245, 245, 285, 305, 325),
    -1: (225, 265, 285, 285, 330, 355, 370),
    -2: (260, 310, 330, 330, 385, 410, 430),
    -3: (300, 360, 385, 385, 445, 475, 510),
}
FUSE_FACTOR = 1.5  # overcurrent device under 50 V: 33 CFR 183.455(c)(1)
K_OHM_CMIL_PER_FT = 10.75  # ABYC E-11: CM = K I L / E
MM2_PER_CMIL = 5.067075e-4  # pi/4 of a square mil
FT_PER_M = 1 / 0.3048


def allowable_a(awg: int, insulation_c: int = 60) -> float | None:
    """Table 5's allowance in A; a gauge between two rows counts as the thinner; None: thinner than 18."""
    row = next((g for g in sorted(TABLE_5) if g >= awg), None)
    return None if row is None else float(TABLE_5[row][INSULATION_C.index(insulation_c)])


def circular_mils(awg: int) -> float:
    """Cross-section of a solid conductor. Source: ASTM B258, d = 0.005 in x 92^((36 - n) / 39)."""
    return float((5.0 * 92.0 ** ((36 - awg) / 39)) ** 2)


def mm2(awg: int) -> float:
    """The same in square millimetres."""
    return circular_mils(awg) * MM2_PER_CMIL


def gauge(wire: Wire) -> int:
    """The wire's gauge; for one in mm2 the thickest gauge that is not thicker (2 % allowed for rounding)."""
    if wire.awg is not None:
        return wire.awg
    area = (wire.mm2 or 0.0) * 1.02
    return next((g for g in range(-3, 40) if mm2(g) <= area), 40)


def wire_cmil(wire: Wire) -> float:
    """The wire's cross-section in circular mils."""
    return circular_mils(wire.awg) if wire.awg is not None else (wire.mm2 or math.nan) / MM2_PER_CMIL


def needed_cmil(current_a: float, both_ways_ft: float, drop_v: float) -> float:
    """Circular mils for a current over a length out and back. Source: ABYC E-11."""
    return K_OHM_CMIL_PER_FT * current_a * both_ways_ft / drop_v


def drop_v(wire: Wire, current_a: float) -> float:
    """Voltage drop out and back, by the same formula."""
    return K_OHM_CMIL_PER_FT * current_a * 2 * wire.one_way_m * FT_PER_M / wire_cmil(wire)


def gauge_words(awg: int) -> str:
    """`14 AWG`, `2/0 AWG`."""
    return f"{awg} AWG" if awg > 0 else f"{1 - awg}/0 AWG"


def wire_words(wire: Wire) -> str:
    """`14 AWG` or `2.5 mm2`."""
    return gauge_words(wire.awg) if wire.awg is not None else f"{wire.mm2:g} mm2"
