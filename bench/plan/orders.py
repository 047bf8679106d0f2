"""The orders in which a plan for a given time does its jobs: what earns most for its time first."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

from bench.spec.model import Function

from .act import Job, Script
from .desk import Desk
from .jobs import TIMER
from .tour import Tour
from .walk import ALL, KEYS, QUICK, Walk
from .weaver import EARLIER, Woven

WAKING = "wake"  # the title of its job
LONGER = 4  # times `pace.steady`: some twenty readings of a dimmed level
KEY, SAMPLE, WALK, MORE, AWAKE, LAST = range(6)  # ranks


@dataclass(frozen=True)
class Order:
    """`ratios`: title of a job -> what it earns in the full plan for its time, and for each cluster that it
    keeps others from. `afresh`: keys first, then what needs no timer, then all else; or the order of the
    full plan. `timers_last`: timers have nothing go on beside them. `wakes`: waking up is part of it, must
    come to its end, and in the order of the full plan no timer is waited for."""

    ratios: Mapping[str, float]
    afresh: bool
    timers_last: bool
    wakes: bool

    def __call__(self, desk: Desk, toured: Sequence[Tour], jobs: list[Job]) -> list[Job]:
        """The jobs in this order."""
        kept = [j for j in jobs if self.wakes or j.title != WAKING]
        if self.afresh:
            return self._arranged(desk, toured, kept)
        return list(self._quick(desk, toured, kept)) if self.wakes else kept

    def _quick(self, desk: Desk, toured: Sequence[Tour], jobs: list[Job]) -> Iterator[Job]:
        """No timer is waited for, so that waking up comes early."""
        waiting = {f"tour {t.title}": t for t in toured if t.waits and t.pairs is None}
        for job in jobs:
            if job.title in waiting:
                yield replace(job, script=partial(Walk(desk, waiting[job.title]).script, QUICK))
            elif not job.title.startswith("auto-off "):
                yield job

    def holds(self, woven: Woven) -> bool:
        """Whether all that must come to its end did."""
        return not self.wakes or WAKING in woven.ended_ms

    def _arranged(self, desk: Desk, toured: Sequence[Tour], jobs: list[Job]) -> list[Job]:
        made = list[Job]()
        walks = {f"tour {t.title}": t for t in toured}
        for job in jobs:
            if job.title in walks:
                made += _stages(desk, job, walks[job.title], timers_last=self.timers_last)
            elif job.title == WAKING:
                made.append(_at(job, AWAKE))
            else:
                timed = job.rank in (TIMER, TIMER - EARLIER)
                made.append(_at(job, (LAST if self.timers_last else WALK) if timed else MORE))
        by_title = {j.title: j for j in jobs}
        for f in desk.functions("scene", "on", "off"):
            title = f"{f.kind} {f.name}"
            if title in by_title:
                script = partial(_sample, desk, f)
                made.append(_at(replace(by_title[title], title=f"key {f.name}", script=script), SAMPLE))
        return sorted(made, key=lambda j: -self.ratios.get(j.title, 0.0))


def orders(whole: Woven) -> Iterator[Order]:
    """All that are tried; `whole` is the full plan."""
    tags: dict[str, set[str]] = {}
    for step, by in zip(whole.steps, whole.by, strict=True):
        tags.setdefault(by, set()).update(step.covers)
    ratios = {
        j.title: len(tags.get(j.title, ()))
        / max(whole.ended_ms[j.title] - whole.began_ms[j.title], 1.0)
        / len(j.clusters)
        for j in whole.jobs
    }
    for wakes in (False, True) if WAKING in whole.ended_ms else (False,):
        yield Order(ratios, True, False, wakes)
        yield Order(ratios, True, True, wakes)
        yield Order(ratios, False, False, wakes)


def _stages(desk: Desk, job: Job, tour: Tour, *, timers_last: bool) -> Iterator[Job]:
    """A tour of pairs is in order of worth as it is."""
    walk = Walk(desk, tour)
    yield _at(replace(job, title=f"keys {tour.title}", script=partial(walk.script, KEYS), time_ms=0.0), KEY)
    if tour.pairs is not None:
        yield _at(replace(job, time_ms=0.0), WALK)
        return
    yield _at(replace(job, title=f"walk {tour.title}", script=partial(walk.script, QUICK), time_ms=0.0), WALK)
    if walk.is_long:
        yield _at(replace(job, script=partial(walk.script, ALL)), LAST if timers_last else WALK)


def _at(job: Job, rank: int) -> Job:
    return replace(job, rank=rank - EARLIER if job.first else rank)


def _sample(desk: Desk, f: Function) -> Script:
    """Each key of a function once, with something to do. A level that may be seen only this once is watched
    for longer: one reading of a small current can lie within the measurement uncertainty of a limit."""
    longer = LONGER if any(0 < level < 100 for level in f.presets.values()) else 0
    for _ in desk.keys[f.name]:
        if f.kind == "off":
            own = [m for m in f.members if m in desk.toggle_of]
            yield from desk.switch(own[0], on=True, about=f"on before {f.name}") if own else ()
        effect = "off" if f.kind == "off" else "on"
        covers = f"scene {f.name} applied" if f.kind == "scene" else f"{f.kind} {f.name}"
        dwell = desk.pace.dwell + longer * desk.pace.steady
        yield from desk.tap(f.name, effect, f"{f.name} tried", covers, dwell=dwell)
        yield from desk.all_off(f.circuits)
