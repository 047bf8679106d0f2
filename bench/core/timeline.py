"""What a circuit's output does from an instant on, until its next course begins."""

from __future__ import annotations

from typing import NamedTuple


class Ramp(NamedTuple):
    """A dimmer moving while its key is held.

    Begins at `t_ns` (the instant hold_ms is reached, of an ideal box without latency) somewhere in
    [`lo_pct`, `hi_pct`], goes `direction` (+1 up, -1 down) at a speed in [`slow`, `fast`] percent
    per second, between `min_pct` and `max_pct`; at an end it turns (`turns`) or stops.
    """

    t_ns: int
    lo_pct: float
    hi_pct: float
    direction: int
    slow: float
    fast: float
    min_pct: float
    max_pct: float
    turns: bool

    def span(self, from_ns: int, to_ns: int) -> tuple[float, float]:
        """Lowest and highest level possible at any instant of [from_ns, to_ns], in percent.

        The set of possible levels is exactly this interval, since level is a continuous function
        of time, speed and start level.
        """
        a = max(0, from_ns - self.t_ns) * 1e-9 * self.slow
        b = max(0, to_ns - self.t_ns) * 1e-9 * self.fast
        width = self.max_pct - self.min_pct
        if width <= 0:
            return self.min_pct, self.max_pct
        # distance travelled along the path, measured from max downwards
        if self.direction < 0:
            first, last = self.max_pct - self.hi_pct + a, self.max_pct - self.lo_pct + b
        else:
            first = width + self.lo_pct - self.min_pct + a
            last = width + self.hi_pct - self.min_pct + b
        if not self.turns:
            end = width if self.direction < 0 else 2 * width
            first, last = min(first, end), min(last, end)
        return self._image(first, last, width)

    def _image(self, first: float, last: float, width: float) -> tuple[float, float]:
        def level(x: float) -> float:
            x %= 2 * width
            return self.max_pct - x if x <= width else self.min_pct + (x - width)

        lo = min(level(first), level(last))
        hi = max(level(first), level(last))
        turn = -(-first // width)  # the first turning point at or after `first`
        while turn * width <= last:
            if turn % 2:
                lo = self.min_pct
            else:
                hi = self.max_pct
            if lo == self.min_pct and hi == self.max_pct:
                break
            turn += 1
        return lo, hi


class Steady(NamedTuple):
    """A constant output somewhere in [`lo_pct`, `hi_pct`]; equal ends when it is known."""

    lo_pct: float
    hi_pct: float

    def span(self, from_ns: int, to_ns: int) -> tuple[float, float]:
        """The same interval at every instant."""
        return self.lo_pct, self.hi_pct


Course = Steady | Ramp
OFF, FULL = Steady(0.0, 0.0), Steady(100.0, 100.0)
