"""The best plan within a given bench time: what earns most for its time first, and an end in time.

There are a few orders of all jobs. Each can be stopped at any instant: nothing more is begun, and what runs
goes to rest. Of every order the latest stop is looked for that ends in time, on a grid that does not depend
on the budget; the best of these plans is taken.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from functools import partial
from math import ceil

from bench.core.errors import Complaint, UsageError
from bench.core.plan import Step

from .act import Job
from .desk import Desk
from .orders import Order, orders
from .scenario import SCENARIO
from .tour import Tour
from .weaver import Weaver, Woven

GRID_MS, COARSE_MS = 250.0, 5_000.0
TOLD_SHARE = 0.25  # of the time, which scenarios take at most or are left out
LEAST_MS = 3_000.0  # up to here the least plan is looked for, stop by stop

Worth = tuple[int, int]  # keys that had an effect, and all tags


def within(weaver: Weaver, whole: Woven, seconds: float) -> tuple[Woven, list[Step]]:
    """A plan that lasts `seconds` at most, and its steps with what they earn.

    Raises: UsageError when that is too little for anything, with the least that is possible.
    """
    most_ms = seconds * 1000.0
    whole_steps = weaver.credited(whole)
    if whole.end_ms <= most_ms:
        return whole, whole_steps
    every = {t for s in whole_steps for t in s.covers}
    urgent = urgent_tags(whole, whole_steps)
    best: tuple[tuple[Worth, Worth], float, Woven, list[Step]] | None = None
    told = 0.0 < _told_ms(whole) <= TOLD_SHARE * most_ms
    for order in orders(whole):
        for found in _candidates(weaver, order, most_ms, told=told):
            steps = weaver.credited(found)
            tags = {t for s in steps for t in s.covers}
            worth = _worth(tags, urgent), _worth(tags, every)
            if worth[1][0] and (best is None or (worth, -found.end_ms) > best[:2]):
                best = worth, -found.end_ms, found, steps
    if best is not None:
        return best[2:]
    return _least(weaver, whole, seconds)


def _told_ms(whole: Woven) -> float:
    """When the last scenario has ended; 0 where there is none."""
    return max((ms for title, ms in whole.ended_ms.items() if title.startswith(f"{SCENARIO} ")), default=0.0)


def urgent_tags(whole: Woven, steps: Sequence[Step]) -> set[str]:
    """What the jobs of the full plan earn that are to be first."""
    firsts = {j.title for j in whole.jobs if j.first}
    return {t for s, by in zip(steps, whole.by, strict=True) if by in firsts for t in s.covers}


def _worth(tags: Collection[str], wanted: Collection[str]) -> Worth:
    found = [t for t in tags if t in wanted]
    keys = {t.rpartition(" ")[0] for t in found if t.startswith("control ")}
    return len(keys), len(found)


def _candidates(weaver: Weaver, order: Order, most_ms: float, *, told: bool) -> list[Woven]:
    """The latest stop that ends in time; and the best looking of a few earlier ones, as what gives way early
    to leave a long wait out can leave time for more."""
    latest = _latest(weaver, order, most_ms, told=told)
    if latest is None:
        return []
    stops = [k * COARSE_MS for k in range(1, ceil(most_ms / COARSE_MS))]
    made = [weaver.weave(arrange=order, stop_ms=stop_ms, told=told) for stop_ms in stops]
    fit = [w for w in made if w.end_ms <= most_ms and w.is_off and order.holds(w)]
    return [latest, *([max(fit, key=_looks)] if fit else [])]


def _looks(woven: Woven) -> int:
    return len({t for s in woven.steps for t in s.covers})


def _latest(weaver: Weaver, order: Order, most_ms: float, *, told: bool) -> Woven | None:
    """The latest stop of the grid that ends in time, by halving."""
    uncut = weaver.weave(arrange=order, told=told)
    if uncut.end_ms <= most_ms and uncut.is_off:
        return uncut
    lo, hi = 0, ceil(uncut.end_ms / GRID_MS)
    found: Woven | None = None
    while hi - lo > 1:
        mid = (lo + hi) // 2
        made = None
        if mid * GRID_MS < most_ms:
            made = weaver.weave(arrange=order, stop_ms=mid * GRID_MS, told=told)
        if made is not None and not order.holds(made):
            lo = mid
        elif made is not None and made.end_ms <= most_ms and made.is_off:
            lo, found = mid, made
        else:
            hi = mid
    return found


def _least(weaver: Weaver, whole: Woven, seconds: float) -> tuple[Woven, list[Step]]:
    """The shortest plan in which a key has an effect, if that fits: of one job alone, stopped early."""
    order = next(orders(whole))
    best: tuple[float, Woven, list[Step]] | None = None
    for title in [j.title for j in weaver.weave(arrange=order, stop_ms=0.0, told=False).jobs]:
        for k in range(1, 1 + round(LEAST_MS / GRID_MS)):
            alone = partial(_alone, order, title)
            made = weaver.weave(arrange=alone, stop_ms=k * GRID_MS, told=False)
            if best is not None and made.end_ms >= best[0]:
                break
            steps = weaver.credited(made)
            if made.is_off and any(t.startswith("control ") for s in steps for t in s.covers):
                best = made.end_ms, made, steps
                break
    if best is not None and best[0] <= seconds * 1000.0:
        return best[1:]
    least_ms = whole.end_ms if best is None else best[0]
    raise UsageError(
        Complaint(
            f"--seconds {seconds:g} is too short for any plan of {weaver.spec.boat.name}",
            expected=f"at least {ceil(least_ms / 100) / 10:g}",
            advice="give more time; without --seconds the plan is the full one",
        )
    )


def _alone(order: Order, title: str, desk: Desk, toured: Sequence[Tour], jobs: list[Job]) -> list[Job]:
    return [j for j in order(desk, toured, jobs) if j.title == title]
