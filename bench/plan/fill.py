"""When keys are pressed in other company: while others wait, beside long tours, and at the end."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from typing import NamedTuple

from .company import Company
from .desk import Desk
from .mingle import COMPANY, Mingle
from .tour import Tour
from .weave import Job

# the plan lasts for as long because of it, less if it finds everything, and some seconds more to switch off
BASE_MS, PER_CIRCUIT_MS = 25_500.0, 2_500.0
LEAVE_MS = 5_000.0  # to have everything off again before others begin
LONG_MS = 30_000.0  # a tour that waits for timers and takes as long is not waited for
WORTH_MS = 10_000.0  # the least that something else is begun for
SPARE = 1.6  # of a job's estimated end; they are seldom earlier


class Gap(NamedTuple):
    """`clusters` that nobody wants before `until_ms`; `behind`: titles of jobs that cannot begin earlier."""

    clusters: frozenset[int]
    until_ms: float
    behind: frozenset[str]


def gaps(jobs: Sequence[Job], least_ms: Mapping[str, float]) -> Iterator[Gap]:
    """The gaps of a plan, the earliest first. `least_ms`: title of a job -> how long it takes at least."""
    began, over = dict[str, float](), dict[int, float]()
    for job in sorted(jobs, key=lambda j: j.rank):
        began[job.title] = max((over.get(k, 0.0) for k in job.clusters), default=0.0)
        over |= dict.fromkeys(job.clusters, began[job.title] + least_ms.get(job.title, 0.0))
    since_ms = 0.0
    every = frozenset(over)
    for until_ms in sorted({ms for ms in began.values() if ms > 0.0}):
        if until_ms < since_ms + WORTH_MS:
            continue
        early = [j for j in jobs if began[j.title] < until_ms]
        late = [
            j for j in early
            if SPARE * (began[j.title] + least_ms.get(j.title, 0.0)) > until_ms - WORTH_MS
        ]  # fmt: skip
        free = every.difference(*(j.clusters for j in late))
        if len(free) > 1:
            behind = frozenset(title for title, ms in began.items() if ms >= until_ms)
            yield Gap(free, until_ms, behind)
            since_ms = until_ms


def company_jobs(
    desk: Desk, toured: Sequence[Tour], others: Sequence[Job], company: Company, begin_ms: float, rank: int
) -> Iterator[Job]:
    """Keys in other company: while jobs wait for long tours; beside tours that go on when all else is done;
    and then with all that these hold."""
    every = frozenset(desk.sim.cluster_of.values()) - {t.machine.cluster for t in toured if t.stranded}
    for gap in gaps(others, {j.title: _least_ms(desk, j) for j in others}):
        until_ms = begin_ms + gap.until_ms - LEAVE_MS
        mingle = Mingle(desk, company, gap.clusters & every, until_ms, patient=True)
        title = f"{COMPANY} until {gap.until_ms / 1e3:.0f} s"
        yield Job(title, gap.clusters & every, mingle.to_rest, rank, passes=gap.behind)
    long = [t for t in toured if t.waits and t.time_ms > LONG_MS]
    soon = every - {t.machine.cluster for t in long}
    until_ms = begin_ms + BASE_MS + PER_CIRCUIT_MS * len(desk.spec.circuits)
    mingle = Mingle(desk, company, soon, until_ms)
    if soon != every:
        early = partial(mingle.until, lambda: all(t.is_over for t in long))
        yield Job(COMPANY, soon, early, rank)
    yield Job(f"{COMPANY} to rest", every, partial(mingle.to_rest, every), rank)


def _least_ms(desk: Desk, job: Job) -> float:
    """How long it takes at least: for timers and what goes on member by member."""
    kind, _, name = job.title.partition(" ")
    if kind == "auto-off":
        timer = desk.spec.circuits[name].auto_off
        return timer.after_s * 1000 if timer is not None else 0.0
    f = desk.spec.functions.get(name) if kind in ("scene", "on", "off") else None
    taps = 3 * len(desk.keys[f.name]) + len(f.circuits) if f is not None else 0
    return max(job.time_ms, taps * desk.pace.dwell)
