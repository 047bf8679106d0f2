"""Current bands by load, level and supply voltage, with a three-valued decision.

Decision rule: ISO 14253-1 with the expanded uncertainty U as guard band (JCGM 106:2012, 8.3):
conforming inside the limits by more than U, not conforming outside them by more than U, undecided
between. Voltage laws and default tolerances per kind of load: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

# kind -> (default tolerance in percent, exponent a of I ~ (V/Vn)^a at its least and most)
LOAD_KINDS: dict[str, tuple[float, float, float]] = {
    "led": (20.0, -1.0, 1.0),  # a constant-power driver to a resistor in series
    "lamp": (20.0, 0.5, 0.65),  # filament: I ~ V^0.55
    "motor": (35.0, -0.5, 1.0),
    "relay": (20.0, 1.0, 1.0),
    "resistive": (12.0, 1.0, 1.0),
    "electronic": (50.0, -1.0, 0.0),
}
BASE_A = 0.10  # absolute part of the tolerance: wiring leakage, standby draw
OFF_LIMIT_A = 0.20  # a channel that is off may draw this, or a fifth of its rating


@dataclass(frozen=True, slots=True)
class Load:
    """What really hangs on a channel of this bench.

    `kind` one of LOAD_KINDS; `rated_a` at `nominal_v`; `tol_pct` None takes the kind's;
    `gain_pct`, `offset_a`: how well the box reports a current.
    """

    kind: str
    rated_a: float
    nominal_v: float
    tol_pct: float | None = None
    gain_pct: float = 3.0
    offset_a: float = 0.1


class Band(NamedTuple):
    """Reported current in ampere: at most `fail_low` or at least `fail_high` is wrong; within
    [`ok_low`, `ok_high`] is right; between is undecided."""

    fail_low: float
    ok_low: float
    ok_high: float
    fail_high: float

    def decide(self, current_a: float) -> Literal["right", "wrong", "undecided"]:
        """The decision on one reported current."""
        if self.ok_low <= current_a <= self.ok_high:
            return "right"
        if current_a < self.fail_low or current_a > self.fail_high:
            return "wrong"
        return "undecided"

    def words(self) -> str:
        """`1.60 to 2.40 A`."""
        return f"{max(0.0, self.ok_low):.2f} to {self.ok_high:.2f} A"


def band(load: Load, level: tuple[float, float], volts: tuple[float, float]) -> Band:
    """The band for an output somewhere in `level` (percent) and a supply somewhere in `volts`.

    A PWM channel reports the mean current, proportional to the level (common practice, no source;
    for a filament, which runs cooler and so draws more than in proportion, the upper limit is
    widened to the square root of the level).
    """
    gain = load.gain_pct / 100
    if level[1] <= 0:
        limit = max(OFF_LIMIT_A, load.rated_a / 5)
        u = load.offset_a
        return Band(-limit - u, -limit + u, limit - u, limit + u)
    tol, least, most = LOAD_KINDS[load.kind]
    tol = (tol if load.tol_pct is None else load.tol_pct) / 100
    factors = [(v / load.nominal_v) ** a for v in volts for a in (least, most)]
    part = level[0] / 100, level[1] / 100
    high_part = part[1] ** 0.5 if load.kind == "lamp" else part[1]
    low = load.rated_a * part[0] * min(factors) * (1 - tol) - BASE_A
    high = load.rated_a * high_part * max(factors) * (1 + tol) + BASE_A
    u_low = abs(low) * gain + load.offset_a
    u_high = high * gain + load.offset_a
    ok_low = min(low + u_low, high) if low > 0 else low - u_low  # no current is below a limit below nothing
    return Band(low - u_low, ok_low, max(high - u_high, low), high + u_high)
