"""Several scripts side by side: each holds its clusters, stimuli keep their distance, nothing collides."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Collection, Generator, Iterable, Iterator
from dataclasses import dataclass, field, replace
from math import inf

from bench.core.errors import InternalError
from bench.core.plan import Step

from .company import Company
from .pace import Pace
from .sim import Sim

WAIT_MS = 1500.0  # after a silence until all that waited for it have gone on
HURRY_MS = 12_000.0  # jobs that take as long go before others whenever they can
YIELD_MS = 100.0
PATIENCE_MS = 400.0  # of a release that would be in the way of others
BURST_MS = 5.0
LONGEST_MS = 3_600_000.0
WOBBLE_MS, WOBBLE_STEP = 18, 7  # 0..17 ms, each in turn


@dataclass(frozen=True, slots=True)
class Act:
    """One thing a script wants next; it is resumed `then_ms` after it happened.

    `kind` as in core.plan.Step; a wait of value 1 is the box `name` waking up by itself. `urgent`
    acts (releases) go before others, the most urgent first. `holds`: asked when it is done, as it may have
    had to wait; where it does not hold, nothing is covered. `hushes`: what its script keeps silent from soon
    after it on, for how many ms from now: nobody else may use its keys until it is heard again. `reaches`:
    the clusters that it is about, where these are not all of its job. `yields`: where it cannot be done soon,
    it is not done at all, and its script goes on; `holds` is not asked then.
    """

    kind: str
    name: str
    value: int
    then_ms: float
    about: str = ""
    covers: tuple[str, ...] = ()
    urgent: int = 0
    holds: Callable[[], bool] | None = None
    hushes: tuple[str, float] | None = None
    more: tuple[Act, ...] = ()
    reaches: frozenset[int] | None = None
    yields: bool = False

    def along(self, others: Iterable[Act]) -> Act:
        """This and then the others, BURST_MS apart."""
        return replace(self, more=tuple(others))


Script = Generator[Act, None, None]


@dataclass(frozen=True, slots=True)
class Job:
    """A script and the clusters nobody else may touch while it runs. Smaller `rank` goes first. `time_ms`:
    how long it takes at least, where that is known; of two that want to go on the longer one goes first.
    `tests`: the clusters that it is about, where it holds others besides. `first`: goes before all that is
    not. `uncut`: once it has begun it is not cut short. `passes`: jobs that wait before it and cannot begin
    sooner than it ends; it keeps out of the way of all others."""

    title: str
    clusters: frozenset[int]
    script: Callable[[], Script]
    rank: int = 0
    time_ms: float = 0.0
    tests: frozenset[int] = frozenset()
    first: bool = False
    uncut: bool = False
    passes: frozenset[str] = frozenset()


Leave = Callable[[Job, Collection[str], Collection[str]], Script]


@dataclass(slots=True)
class _Running:
    job: Job
    order: int
    script: Script
    act: Act | None = None
    ready_ms: float = 0.0
    leaving: bool = False
    down: dict[str, None] = field(default_factory=dict)
    active: dict[str, None] = field(default_factory=dict)


@dataclass
class Weave:
    """Runs jobs on a simulated boat and writes down the steps.

    Between two stimuli lie at least `pace.apart` ms and a wobble, without which stimuli would keep
    meeting the boxes' cyclic frames at the same few phases. Nothing is begun that would end after `stop_ms`:
    each job then gives way to `leave`, which is told what keys it holds and what sensors it left active.
    `company`: told of each press. `by`: the title of the job of each step; `began_ms`, `ended_ms`: of jobs
    that began, and that ended.
    """

    sim: Sim
    pace: Pace
    seed: int = 0
    stop_ms: float = inf
    leave: Leave | None = None
    company: Company | None = None
    steps: list[Step] = field(default_factory=list)
    by: list[str] = field(default_factory=list)
    began_ms: dict[str, float] = field(default_factory=dict)
    ended_ms: dict[str, float] = field(default_factory=dict)
    _resume: list[tuple[float, int, _Running]] = field(default_factory=list)
    _pending: list[_Running] = field(default_factory=list)
    _busy: set[int] = field(default_factory=set)
    _emitted: int = 0
    _hushed: dict[str, _Running] = field(default_factory=dict)
    _waiting: list[tuple[int, Job]] = field(default_factory=list)

    def run(self, jobs: Iterable[Job], begin_ms: float = 0.0) -> float:
        """Weave all jobs; gives back the end in ms. Raises InternalError when they never end."""
        self._waiting = list(enumerate(sorted(jobs, key=lambda j: j.rank)))
        slot_ms = end_ms = begin_ms
        self._start(begin_ms)
        while self._resume or self._pending:
            if not self._pending:
                slot_ms = max(slot_ms, self._resume[0][0])
            while self._resume and self._resume[0][0] <= slot_ms:
                at_ms, _, running = heapq.heappop(self._resume)
                end_ms = max(end_ms, at_ms)
                self._continue(running, at_ms)
            self._late_ones(slot_ms)
            self._yielding_ones(slot_ms)
            chosen = self._choose(slot_ms)
            if chosen is not None:
                slot_ms = self._emit(chosen, slot_ms)
                self._emitted += 1
                slot_ms += self.pace.apart + (self._emitted * WOBBLE_STEP + self.seed) % WOBBLE_MS
            elif self._pending:
                next_ms = self._resume[0][0] if self._resume else inf
                slot_ms = min(slot_ms + self.pace.apart, max(slot_ms + 1.0, next_ms))
            if slot_ms > LONGEST_MS:
                raise InternalError(f"the plan does not end; waiting: {[r.job.title for r in self._pending]}")
        return end_ms

    def _start(self, t_ms: float) -> None:
        """Begin every job whose clusters are free and not claimed by one that waits before it."""
        claims = list[Job]()
        for entry in list(self._waiting):
            order, job = entry
            if t_ms >= self.stop_ms:
                continue
            taken = self._busy.union(*(j.clusters for j in claims if j.title not in job.passes))
            if job.clusters.isdisjoint(taken):
                self._waiting.remove(entry)
                self._busy |= job.clusters
                self.began_ms[job.title] = t_ms
                heapq.heappush(self._resume, (t_ms, order, _Running(job, order, job.script())))
            else:
                claims.append(job)

    def _continue(self, running: _Running, t_ms: float) -> None:
        self.sim.advance(t_ms)
        self._go_on(running, self._next(running, t_ms), t_ms)

    def _go_on(self, running: _Running, act: Act | None, t_ms: float) -> None:
        if act is None:
            if not running.leaving:
                self.ended_ms[running.job.title] = t_ms
            self._busy -= running.job.clusters
            self._start(t_ms)
        elif act.kind == "wait":
            self._do(running, act, t_ms)
            heapq.heappush(self._resume, (t_ms + act.then_ms, running.order, running))
        else:
            running.act, running.ready_ms = act, t_ms
            self._pending.append(running)

    def _next(self, running: _Running, t_ms: float) -> Act | None:
        """Its next act; where that would end too late, the first of its way out."""
        act = next(running.script, None)
        return self._way_out(running) if act is not None and self._is_late(running, act, t_ms) else act

    def _is_late(self, running: _Running, act: Act, t_ms: float) -> bool:
        if act.urgent or running.leaving or running.job.uncut or self.leave is None:
            return False
        return t_ms + act.then_ms > self.stop_ms

    def _way_out(self, running: _Running) -> Act | None:
        assert self.leave is not None
        running.script.close()
        running.leaving = True
        running.script = self.leave(running.job, tuple(running.down), tuple(running.active))
        return next(running.script, None)

    def _late_ones(self, slot_ms: float) -> None:
        """Those that wait for their turn, but would have it too late."""
        for running in [r for r in self._pending if r.act and self._is_late(r, r.act, slot_ms)]:
            self._pending.remove(running)
            self._go_on(running, self._way_out(running), slot_ms)

    def _yielding_ones(self, slot_ms: float) -> None:
        """Those that would have to wait for long, and need not be."""
        for running in [r for r in self._pending if r.act and r.act.yields]:
            if slot_ms - running.ready_ms > YIELD_MS or not self._allowed(running, slot_ms):
                self._pending.remove(running)
                self._go_on(running, self._next(running, slot_ms), slot_ms)

    def _choose(self, slot_ms: float) -> _Running | None:
        ready = [r for r in self._pending if self._allowed(r, slot_ms)]
        if len(ready) < 2:
            return ready[0] if ready else None
        standing = self.company.standing(self.sim) if self.company is not None else (0, 0)
        return min(ready, key=lambda r: self._turn(r, standing))

    def _turn(self, running: _Running, standing: tuple[int, int]) -> tuple[float, ...]:
        """Releases first; of the others those that are to be first, and those whose job is the longest. Of
        what is in no hurry that goes first which is seen in other company than before."""
        act, job = running.act, running.job
        if act is None or act.urgent:
            return -(act.urgent if act else 0), 0.0, 0.0, 0.0, running.ready_ms, running.order
        hurry_ms = job.time_ms if job.time_ms >= HURRY_MS else 0.0
        adds = self.company.worth(act.name, *standing) if self.company is not None and not hurry_ms else 0
        return 0.0, not job.first, -hurry_ms, -adds, running.ready_ms, running.order

    def _makes_room(self, running: _Running, slot_ms: float) -> bool:
        """Whether it does not fill the time that another one wants."""
        act = running.act
        if act is None or not running.job.passes or act.urgent > 1:
            return True
        if act.urgent and slot_ms - running.ready_ms > PATIENCE_MS:
            return True
        until_ms = slot_ms + self.pace.apart + WOBBLE_MS
        if any(not r.job.passes for r in self._pending):
            return False
        return all(r.job.passes or at_ms >= until_ms for at_ms, _, r in self._resume)

    def _allowed(self, running: _Running, slot_ms: float) -> bool:
        if not self._makes_room(running, slot_ms):
            return False
        if running.act is None or running.act.urgent:
            return True
        self.sim.advance(slot_ms)
        if not self._is_heard(running, running.act, slot_ms):
            return False
        span_ms = self.pace.tap + 2 * (self.pace.apart + WOBBLE_MS) + len(running.act.more) * BURST_MS
        guard_ms = self.pace.guard
        clusters = running.job.clusters if running.act.reaches is None else running.act.reaches
        dues = self.sim.due_ms(clusters)
        more_ms = self.pace.respond  # about a loss the box may be late by as much
        coming = self.sim.silences.coming(clusters)
        down_ms = max(running.act.then_ms - self.pace.tap, 0.0) if running.act.kind == "press" else 0.0
        dues += [(at_ms - more_ms - down_ms, at_ms + more_ms) for at_ms in coming]
        for k in clusters:
            if slot_ms < guard_ms + max(self.sim.ended_ms(k), self.sim.lost_ms(k) + more_ms):
                return False
        return not any(lo - guard_ms < slot_ms + span_ms and slot_ms < hi + guard_ms for lo, hi in dues)

    def _is_heard(self, running: _Running, act: Act, slot_ms: float) -> bool:
        """Whether what sends it is not silent; whether a silence is in the way of nobody else."""
        if act.hushes is not None:
            node, ms = act.hushes
            until_ms = slot_ms + ms + WAIT_MS
            if not all(self._can_spare(r, at_ms, node, until_ms) for r, at_ms in self._others(running)):
                return False
        if act.kind == "silent" and act.value:
            near_ms = self.pace.guard + 2 * self.pace.respond
            if self.sim.silences.clashes(act.name, slot_ms, near_ms):
                return False
            return all(self.sim.node_of(key) != act.name for r, _ in self._others(running) for key in r.down)
        names = (a.name for a in (act, *act.more))
        return all(self._hushed.get(self.sim.node_of(name), running) is running for name in names)

    def _others(self, running: _Running) -> Iterator[tuple[_Running, float]]:
        """The others under way, and when they want to go on."""
        yield from ((r, -inf) for r in self._pending if r is not running)
        yield from ((r, at_ms) for at_ms, _, r in self._resume)

    def _can_spare(self, other: _Running, at_ms: float, node: str, until_ms: float) -> bool:
        """Whether it holds no key of what falls silent, and no timer of its ends while it has to wait."""
        if any(self.sim.node_of(key) == node for key in other.down):
            return False
        if at_ms > until_ms or other.job.clusters.isdisjoint(self.sim.silences.keyed(node)):
            return True
        return all(lo > until_ms for lo, _ in self.sim.due_ms(other.job.clusters))

    def _emit(self, running: _Running, slot_ms: float) -> float:
        """Gives back when the last of it was done."""
        act = running.act
        assert act is not None
        self._pending.remove(running)
        self.sim.advance(slot_ms)
        self._do(running, act, slot_ms)
        for other in act.more:
            slot_ms += BURST_MS
            self.sim.advance(slot_ms)
            self._do(running, other, slot_ms)
        heapq.heappush(self._resume, (slot_ms + act.then_ms, running.order, running))
        return slot_ms

    def _do(self, running: _Running, act: Act, t_ms: float) -> None:
        if self.steps:  # what waits beside a burst
            t_ms = max(t_ms, self.steps[-1].at_ms)
        covers = act.covers if act.holds is None or act.holds() else ()
        if self.company is not None:
            self.company.enact(self.sim, act.kind, act.name, act.value)
        else:
            self.sim.enact(act.kind, act.name, act.value)
        if act.hushes is not None:
            self._hushed[act.hushes[0]] = running
        elif act.kind == "silent" and not act.value:
            self._hushed.pop(act.name, None)
        if act.kind == "press":
            running.down[act.name] = None
        elif act.kind == "release":
            running.down.pop(act.name, None)
        elif act.kind == "sensor":
            if act.value:
                running.active[act.name] = None
            else:
                running.active.pop(act.name, None)
        if act.kind != "wait" or act.about:
            self.by.append(running.job.title)
            self.steps.append(Step(t_ms, act.kind, act.name, act.value, act.about, covers))
