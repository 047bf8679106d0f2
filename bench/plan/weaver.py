"""One boat's jobs woven, again and again, with as little as can be done anew."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from math import inf
from typing import NamedTuple

from bench.core.plan import Merged, Step
from bench.oracle import Oracle
from bench.spec.model import Spec

from .act import LOOSELY, NEVER, WOBBLE_MEAN_MS, Haste, Job, Script
from .burst import BURST
from .company import NO_SHARE, Company, Share
from .coverage import recount
from .desk import Desk
from .fill import Seen, company_jobs
from .jobs import MINGLED, OUTSIDE, jobs, tours
from .lost import LOST
from .mingle import COMPANY
from .pace import Pace
from .scenario import scenario_jobs
from .seldom import Seldom, about, seldom
from .sim import Sim
from .tour import Tour
from .weave import Weave

REST_MS = 500.0  # watched after the last stimulus
AS_GOOD = 1.02  # times the least that is possible
EARLIER = 100  # by this much the rank of a job that is to be first is less


class Woven(NamedTuple):
    """A plan in the making. `began_ms`, `ended_ms`: title of a job -> when; `tours`: of the clusters; `by`:
    the title of the job of each step. `is_off`: everything is off at the end. `seldom`: when others waited.
    `share`: of company, where keys were pressed in other one."""

    steps: list[Step]
    end_ms: float
    jobs: list[Job]
    began_ms: dict[str, float]
    ended_ms: dict[str, float]
    tours: list[Tour]
    by: list[str]
    is_off: bool
    seldom: Seldom | None
    share: Share


@dataclass(frozen=True)
class First:
    """What is to be planned first: what touches these circuits, and these jobs by title."""

    circuits: frozenset[str]
    titles: frozenset[str] = frozenset()

    def holds(self, desk: Desk, job: Job) -> bool:
        """Whether a job is of these."""
        if job.title in self.titles:
            return True
        touched = desk.clusters(c for c in self.circuits if c in desk.spec.circuits)
        return job.rank < OUTSIDE and not touched.isdisjoint(job.tests or job.clusters)


Arrange = Callable[[Desk, Sequence[Tour], list[Job]], list[Job]]


class Weaver:
    """`only`: circuits, as in make_plan; `sequences`: of so many letters; `first`: None where nothing is;
    `company`: keys in other company until hardly anything is added, not only in idle time."""

    def __init__(
        self, spec: Spec, *, seed: int, supply: bool, only: Collection[str], first: First | None,
        sequences: int = 1, company: bool = False,
    ) -> None:  # fmt: skip
        self.spec, self.model, self.pace = spec, Oracle(spec), Pace.of(spec)
        self.seed, self.supply, self.only, self.first = seed, supply, only, first
        self._sequences, self._company = sequences, company
        self._tours: dict[tuple[object, ...], list[Tour]] = {}

    def weave(
        self, *, short: bool = False, left_out: frozenset[str] = frozenset(), arrange: Arrange | None = None,
        stop_ms: float = inf, told: bool = True, haste: Haste | None = None, seen: Woven | None = None,
    ) -> Woven:  # fmt: skip
        """All jobs but those `left_out` by title; in another order by `arrange`; begun before `stop_ms`.
        `told`: after the scenarios, each of which runs to its end. `seen`: the same without keys in
        other company, which are then pressed in the time that it leaves; or with them, to use it better."""
        sim = Sim(self.model, self.spec)
        desk = Desk(self.spec, sim, self.pace, short=short, seed=self.seed)
        wanted = desk.clusters(self.only) if self.only else desk.clusters(self.spec.circuits)
        scenarios = scenario_jobs(desk, supply=self.supply) if told and not short else ()
        begun = [replace(j, uncut=True) for j in scenarios if j.tests & wanted]
        company = Company(self.spec, sim, self.pace) if seen is not None else None
        weave = Weave(sim, self.pace, self.seed, stop_ms, lambda job, *held: self._leave(desk, job, *held))
        weave.spared = desk.spared
        weave.haste, weave.company = haste or Haste(), company
        begin_ms = weave.run(begun)
        toured = [] if short else [t for t in self._toured(desk) if t.machine.cluster in wanted]
        every, times = jobs(desk, toured, supply=self.supply), None
        if seen is not None and company is not None:
            idle = _seen(seen, every, begin_ms)
            every += company_jobs(desk, toured, idle, company, MINGLED, is_whole=self._company)
            if self.first is None:
                times = seen.seldom or seldom(desk, toured, idle)
            if times is not None:
                every = about(desk, company, times, every)
        chosen = [
            j for j in every if j.title not in left_out and not (j.tests or j.clusters).isdisjoint(wanted)
        ]
        if self.only:
            many = (LOST, BURST, COMPANY)  # of circuits that have nothing to do with each other
            chosen = [j for j in chosen if j.title.split()[0] not in many or j.clusters <= wanted]
            chosen = [j for j in chosen if j.rank < OUTSIDE]
        if self.first is not None:
            chosen = [
                replace(j, first=True, rank=j.rank - EARLIER) if self.first.holds(desk, j) else j
                for j in chosen
            ]
        if arrange is not None:
            chosen = arrange(desk, toured, chosen)
        end_ms = weave.run(chosen, begin_ms) + REST_MS
        sim.advance(end_ms)
        is_off = all(hi <= 0 for _, hi in sim.levels().values())
        every = [*begun, *chosen]
        began_ms, ended_ms = weave.began_ms, weave.ended_ms
        share = company.share() if company is not None else NO_SHARE
        return Woven(weave.steps, end_ms, every, began_ms, ended_ms, toured, weave.by, is_off, times, share)

    def merged(self) -> Merged | None:
        """How long the tours take side by side without anything else; None without any."""
        best: Merged | None = None
        for way in (LOOSELY, NEVER):
            made = self.weave(arrange=_tours_alone, told=False, haste=Haste(reserves=way))
            if not made.tours:
                return None
            count = sum(s.kind in ("press", "release", "sensor") for s in made.steps)
            spacing_ms = count * (self.pace.apart + WOBBLE_MEAN_MS)
            longest_ms = max(t.time_ms for t in made.tours)
            found = Merged(max(made.ended_ms.values()), longest_ms, spacing_ms)
            best = found if best is None or found.merged_ms < best.merged_ms else best
            if best.ratio < AS_GOOD:
                break
        return best

    def credited(self, woven: Woven) -> list[Step]:
        """Its steps with all that they earn."""
        steps = woven.steps
        earned = recount(self.spec, Sim(self.model, self.spec), steps, self.pace, woven.end_ms)
        return [
            Step(s.at_ms, s.kind, s.name, s.value, s.about, (*s.covers, *earned[i]))
            for i, s in enumerate(steps)
        ]

    def _toured(self, desk: Desk) -> list[Tour]:
        rests = tuple(tuple(desk.sim.states(k)) for k in range(len(self.model.clusters)))
        if rests not in self._tours:
            self._tours[rests] = tours(desk, self.model, self._sequences)
        return [t.afresh(desk) for t in self._tours[rests]]

    @staticmethod
    def _leave(desk: Desk, job: Job, down: Collection[str], active: Collection[str]) -> Script:
        circuits = [
            c
            for c, k in desk.sim.cluster_of.items()
            if k in job.clusters and (desk.has_own_key(c) or desk.with_help(frozenset({k})) <= job.clusters)
        ]
        return desk.leave(circuits, down, active)


def _seen(woven: Woven, jobs: Sequence[Job], begin_ms: float) -> Seen:
    """`jobs`: those of `woven` anew, of which the first begins at `begin_ms`."""
    mine = [j for j in jobs if j.rank < MINGLED and j.title in woven.ended_ms]
    return Seen(mine, woven.began_ms, woven.ended_ms, begin_ms, woven.steps, woven.by)


def _tours_alone(_: Desk, __: Sequence[Tour], jobs: list[Job]) -> list[Job]:
    return [j for j in jobs if j.title.startswith("tour ")]
