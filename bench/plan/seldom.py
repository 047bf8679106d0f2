"""Keys pressed seldom, as a long timer must end in between: much else goes on and off about them.

The other jobs wait until then; they have the time, as they would be done long before the timer ends again.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

from .act import Job
from .company import Company
from .desk import Desk
from .fill import LONG_MS, Seen
from .jobs import MINGLED
from .mingle import COMPANY, Mingle
from .tour import Tour

TOGETHER_MS = 6_000.0  # presses that are no further apart
LEAD_MS = 3_000.0  # before the first of them
EARLY_MS = 5_000.0  # keys in other company may make all later by so much
BRIEF_MS = 8_000.0  # what takes no longer can wait
SPARE_MS = 10_000.0  # that others must be done before the end, with all that waits


class Seldom(NamedTuple):
    """When these keys are pressed; `clusters` that are free then, if the jobs of these titles wait."""

    since_ms: float
    until_ms: float
    clusters: frozenset[int]
    titles: frozenset[str]


def seldom(desk: Desk, toured: Sequence[Tour], seen: Seen) -> Seldom | None:
    """The first time in the plan but at its beginning; None where there is none, or others cannot wait."""
    end_ms = max(seen.ended_ms.values(), default=0.0)
    long = [t for t in toured if t.waits and t.time_ms > LONG_MS]
    every = frozenset(desk.sim.cluster_of.values())
    every -= {t.machine.cluster for t in toured if t.stranded or t in long}
    done_ms = max((seen.ended_ms[j.title] for j in seen.jobs if j.clusters <= every), default=0.0)
    for since_ms, until_ms in (times for t in long for times in _times(desk, t, seen)):
        if since_ms > seen.begin_ms and done_ms + until_ms - since_ms + SPARE_MS < end_ms:
            late = [j for j in seen.jobs if seen.ended_ms[j.title] > since_ms - EARLY_MS]
            waiting = [j for j in late if _waits(seen, j.title, since_ms)]
            clusters = every.difference(*(j.clusters for j in late if j not in waiting))
            return Seldom(since_ms, until_ms, clusters, frozenset(j.title for j in waiting))
    return None


def _waits(seen: Seen, title: str, since_ms: float) -> bool:
    began_ms = seen.began_ms[title]
    return began_ms > since_ms or seen.ended_ms[title] - began_ms <= BRIEF_MS


def _times(desk: Desk, tour: Tour, seen: Seen) -> Iterator[tuple[float, float]]:
    """Of the keys of its timed circuits: a little before the first of some, and the last."""
    steps = (s for s, by in zip(seen.steps, seen.by, strict=True) if by == f"tour {tour.title}")
    presses = (s for s in steps if s.kind == "press")
    at_ms = [s.at_ms for s in presses if desk.spec.controls[s.name].function in tour.timed]
    first = 0
    for n in range(len(at_ms)):
        if n + 1 == len(at_ms) or at_ms[n + 1] > at_ms[n] + TOGETHER_MS:
            yield at_ms[first] - LEAD_MS, at_ms[n]
            first = n + 1


def about(desk: Desk, company: Company, times: Seldom, jobs: Iterable[Job]) -> list[Job]:
    """The jobs, of which some wait, and what they wait for."""
    mingle = Mingle(desk, company, times.clusters, times.until_ms)
    title = f"{COMPANY} about {times.until_ms / 1e3:.0f} s"
    waiting = [
        replace(j, late=True)
        if j.title in times.titles or (j.rank >= MINGLED and j.by_ms > times.since_ms)
        else j
        for j in jobs
    ]
    return [*waiting, Job(title, times.clusters, mingle.to_rest, rank=-1, late=True)]
