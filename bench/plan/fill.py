"""When keys are pressed in other company: while others wait, beside long tours, and at the end."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from math import inf
from typing import NamedTuple

from bench.core.plan import Step

from .act import Job
from .company import Company
from .desk import Desk
from .mingle import COMPANY, LEAST_MS, Mingle
from .tour import Tour

OFF_MS = 2_000.0  # before all else is done nothing more is switched on: the plan lasts hardly longer
LEAVE_MS = 5_000.0  # to have everything off again before others begin
LONG_MS = 30_000.0  # a tour that waits for timers and takes as long is not waited for
WORTH_MS = 10_000.0  # the least that something else is begun for


class Seen(NamedTuple):
    """Of an earlier plan: its jobs but waking up and company, when they began and ended, when the first did;
    its steps, and the title of the job of each."""

    jobs: Sequence[Job]
    began_ms: Mapping[str, float]
    ended_ms: Mapping[str, float]
    begin_ms: float
    steps: Sequence[Step] = ()
    by: Sequence[str] = ()


class Gap(NamedTuple):
    """`clusters` that nobody wants before `until_ms`; `behind`: titles of jobs that do not begin earlier."""

    clusters: frozenset[int]
    until_ms: float
    behind: frozenset[str]


def gaps(seen: Seen) -> Iterator[Gap]:
    """The gaps of a plan, the earliest first."""
    every = frozenset().union(*(j.clusters for j in seen.jobs))
    since_ms = seen.begin_ms
    for until_ms in sorted({seen.began_ms[j.title] for j in seen.jobs}):
        if until_ms < since_ms + WORTH_MS:
            continue
        early = [j for j in seen.jobs if seen.began_ms[j.title] < until_ms]
        late = [j for j in early if seen.ended_ms[j.title] > until_ms - WORTH_MS]
        free = every.difference(*(j.clusters for j in late))
        if len(free) > 1:
            behind = frozenset(j.title for j in seen.jobs if seen.began_ms[j.title] >= until_ms)
            yield Gap(free, until_ms, behind)
            since_ms = until_ms


def company_jobs(
    desk: Desk, toured: Sequence[Tour], seen: Seen, company: Company, rank: int, *, is_whole: bool
) -> Iterator[Job]:
    """Keys in other company: while jobs wait for long tours; beside tours that go on when all else is done;
    and then with all that these hold. `is_whole`: until hardly anything is added, not only in idle time."""
    every = frozenset(desk.sim.cluster_of.values()) - {t.machine.cluster for t in toured if t.stranded}
    for gap in gaps(seen):
        mingle = Mingle(desk, company, gap.clusters & every, gap.until_ms - LEAVE_MS, patient=True)
        title = f"{COMPANY} until {gap.until_ms / 1e3:.0f} s"
        by_ms = gap.until_ms - LEAVE_MS - LEAST_MS
        yield Job(title, gap.clusters & every, mingle.to_rest, rank, passes=gap.behind, by_ms=by_ms)
    long = [t for t in toured if t.waits and t.time_ms > LONG_MS]
    soon = every - {t.machine.cluster for t in long}
    until_ms = max((seen.ended_ms[j.title] for j in seen.jobs), default=0.0) - OFF_MS
    mingle = Mingle(desk, company, soon, inf if is_whole else until_ms)
    if soon != every:
        early = partial(mingle.until, lambda: all(t.is_over for t in long))
        yield Job(COMPANY, soon, early, rank)
    yield Job(f"{COMPANY} to rest", every, partial(mingle.to_rest, every), rank)
