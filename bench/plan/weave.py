"""Several scripts side by side: each holds its clusters, stimuli keep their distance, nothing collides."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Generator, Iterable
from dataclasses import dataclass, field

from bench.core.errors import InternalError
from bench.core.plan import Step

from .pace import Pace
from .sim import Sim

LONGEST_MS = 3_600_000.0
WOBBLE_MS, WOBBLE_STEP = 18, 7  # 0..17 ms, each in turn


@dataclass(frozen=True, slots=True)
class Act:
    """One thing a script wants next; it is resumed `then_ms` after it happened.

    `kind` as in core.plan.Step; a wait of value 1 is the box `name` waking up by itself. `urgent`
    acts (releases) go before others, the most urgent first. `holds`: asked when it is done, as it may have
    had to wait; where it does not hold, nothing is covered.
    """

    kind: str
    name: str
    value: int
    then_ms: float
    about: str = ""
    covers: tuple[str, ...] = ()
    urgent: int = 0
    holds: Callable[[], bool] | None = None


Script = Generator[Act, None, None]


@dataclass(frozen=True, slots=True)
class Job:
    """A script and the clusters nobody else may touch while it runs. Smaller `rank` goes first. `time_ms`:
    how long it takes at least, where that is known; of two that want to go on the longer one goes first.
    `tests`: the clusters that it is about, where it holds others besides."""

    title: str
    clusters: frozenset[int]
    script: Callable[[], Script]
    rank: int = 0
    time_ms: float = 0.0
    tests: frozenset[int] = frozenset()


@dataclass(slots=True)
class _Running:
    job: Job
    order: int
    script: Script
    act: Act | None = None
    ready_ms: float = 0.0


@dataclass
class Weave:
    """Runs jobs on a simulated boat and writes down the steps.

    Between two stimuli lie at least `pace.apart` ms and a wobble, without which stimuli would keep
    meeting the boxes' cyclic frames at the same few phases.
    """

    sim: Sim
    pace: Pace
    seed: int = 0
    steps: list[Step] = field(default_factory=list)
    ended_ms: dict[str, float] = field(default_factory=dict)
    _resume: list[tuple[float, int, _Running]] = field(default_factory=list)
    _pending: list[_Running] = field(default_factory=list)
    _busy: set[int] = field(default_factory=set)
    _emitted: int = 0
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
            chosen = self._choose(slot_ms)
            if chosen is not None:
                self._emit(chosen, slot_ms)
                self._emitted += 1
                slot_ms += self.pace.apart + (self._emitted * WOBBLE_STEP + self.seed) % WOBBLE_MS
            elif self._pending:
                slot_ms += self.pace.apart
            if slot_ms > LONGEST_MS:
                raise InternalError(f"the plan does not end; waiting: {[r.job.title for r in self._pending]}")
        return end_ms

    def _start(self, t_ms: float) -> None:
        """Begin every job whose clusters are free and not claimed by one that waits before it."""
        claimed: set[int] = set()
        for entry in list(self._waiting):
            order, job = entry
            if not job.clusters & (self._busy | claimed):
                self._waiting.remove(entry)
                self._busy |= job.clusters
                heapq.heappush(self._resume, (t_ms, order, _Running(job, order, job.script())))
            else:
                claimed |= job.clusters

    def _continue(self, running: _Running, t_ms: float) -> None:
        self.sim.advance(t_ms)
        act = next(running.script, None)
        if act is None:
            self.ended_ms[running.job.title] = t_ms
            self._busy -= running.job.clusters
            self._start(t_ms)
        elif act.kind == "wait":
            self._do(act, t_ms)
            heapq.heappush(self._resume, (t_ms + act.then_ms, running.order, running))
        else:
            running.act, running.ready_ms = act, t_ms
            self._pending.append(running)

    def _choose(self, slot_ms: float) -> _Running | None:
        ready = [r for r in self._pending if self._allowed(r, slot_ms)]
        if not ready:
            return None
        return min(ready, key=self._turn)

    @staticmethod
    def _turn(running: _Running) -> tuple[int, float, float, int]:
        """Releases first; of the others those whose job is the longest."""
        urgent = running.act.urgent if running.act else 0
        return -urgent, 0.0 if urgent else -running.job.time_ms, running.ready_ms, running.order

    def _allowed(self, running: _Running, slot_ms: float) -> bool:
        if running.act is None or running.act.urgent:
            return True
        self.sim.advance(slot_ms)
        span_ms = self.pace.tap + 2 * (self.pace.apart + WOBBLE_MS)
        guard_ms = self.pace.guard
        dues = self.sim.due_ms(running.job.clusters)
        if any(slot_ms < self.sim.ended_ms(k) + guard_ms for k in running.job.clusters):
            return False
        return not any(lo - guard_ms < slot_ms + span_ms and slot_ms < hi + guard_ms for lo, hi in dues)

    def _emit(self, running: _Running, slot_ms: float) -> None:
        act = running.act
        assert act is not None
        self._pending.remove(running)
        self.sim.advance(slot_ms)
        self._do(act, slot_ms)
        heapq.heappush(self._resume, (slot_ms + act.then_ms, running.order, running))

    def _do(self, act: Act, t_ms: float) -> None:
        covers = act.covers if act.holds is None or act.holds() else ()
        self.sim.enact(act.kind, act.name, act.value)
        if act.kind != "wait" or act.about:
            self.steps.append(Step(t_ms, act.kind, act.name, act.value, act.about, covers))
