"""Small sets of levels and three-valued answers, the coin in which a belief is paid.

A level set is a sorted tuple of at most four disjoint intervals in percent. 0 % is always an interval
of its own, so that "is it on?" never cuts an interval.
"""

from __future__ import annotations

from collections.abc import Iterable

Interval = tuple[float, float]
Levels = tuple[Interval, ...]

NO, YES, MAYBE = 1, 2, 3  # a set of answers: bit 1 no, bit 2 yes
OFF: Levels = ((0.0, 0.0),)
FULL: Levels = ((100.0, 100.0),)
MOST = 4


def levels(parts: Iterable[Interval]) -> Levels:
    """The smallest level set of at most four intervals that holds all `parts` (a superset beyond four)."""
    zero = False
    above: list[Interval] = []
    for lo, hi in sorted(parts):
        if lo <= 0.0:
            zero = True
            if hi <= 0.0:
                continue
        if above and lo <= above[-1][1]:
            above[-1] = (above[-1][0], max(above[-1][1], hi))
        else:
            above.append((lo, hi))
    room = MOST - 1 if zero else MOST
    while len(above) > room:
        gaps = [above[i + 1][0] - above[i][1] for i in range(len(above) - 1)]
        at = gaps.index(min(gaps))
        above[at : at + 2] = [(above[at][0], above[at + 1][1])]
    return (*OFF, *above) if zero else tuple(above)


def exactly(level_pct: float) -> Levels:
    """The set of one level, in percent."""
    return OFF if level_pct <= 0.0 else FULL if level_pct == 100.0 else ((level_pct, level_pct),)


def clip(values: Levels, lo: float, hi: float) -> Levels:
    """The part of `values` inside [lo, hi]; the empty tuple when there is none."""
    return tuple((max(a, lo), min(b, hi)) for a, b in values if a <= hi and b >= lo)


def positive(values: Levels) -> Levels:
    """The part of `values` above 0 %."""
    return tuple(i for i in values if i[1] > 0.0)


def hull(values: Levels) -> Interval:
    """Lowest and highest level of the set."""
    return values[0][0], values[-1][1]
