"""Several scripts side by side: each holds its clusters, stimuli keep their distance, nothing collides."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass, field
from functools import partial
from math import inf

from bench.core.errors import InternalError
from bench.core.plan import Step

from .act import BURST_MS, LOOSELY, NEVER, WOBBLE_MS, WOBBLE_STEP, Act, Haste, Job, Script
from .company import Company
from .pace import Pace
from .silence import Loss
from .sim import Sim
from .spared import Spared

WAIT_MS = 1500.0  # after a silence until all that waited for it have gone on
CALM_MS = 10_000.0  # before the plan's end; what leads to an earlier one is in no hurry
YIELD_MS = 100.0
PATIENCE_MS = 400.0  # of a release that would be in the way of others
LONGEST_MS = 3_600_000.0

Leave = Callable[[Job, Collection[str], Collection[str]], Script]


@dataclass(slots=True, eq=False)
class _Running:
    job: Job
    order: int
    script: Script
    act: Act | None = None
    ready_ms: float = 0.0
    end_ms: float = 0.0  # of the plan at best, as far as this one has a say
    taps: bool = False
    leaving: bool = False
    down: dict[str, float] = field(default_factory=dict)  # since when
    active: dict[str, None] = field(default_factory=dict)


@dataclass
class Weave:
    """Runs jobs on a simulated boat and writes down the steps.

    Between two stimuli lie at least `pace.apart` ms and a wobble, without which stimuli would keep
    meeting the boxes' cyclic frames at the same few phases. Nothing is begun that would end after `stop_ms`:
    each job then gives way to `leave`, which is told what keys it holds and what sensors it left active.
    `company`, `spared`: told of each step. `by`: the title of the job of each step; `began_ms`, `ended_ms`:
    of jobs that began, and that ended.
    """

    sim: Sim
    pace: Pace
    seed: int = 0
    stop_ms: float = inf
    leave: Leave | None = None
    haste: Haste = field(default_factory=Haste)
    company: Company | None = None
    spared: Spared | None = None
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
        self._waiting = list(enumerate(sorted(jobs, key=self.haste.turn)))
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
                slot_ms += self._gap(0)
            elif self._pending:
                slot_ms = self._later(slot_ms)
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
                end_ms = t_ms + self.haste.tail_ms(job)
                heapq.heappush(self._resume, (t_ms, order, _Running(job, order, job.script(), end_ms=end_ms)))
            elif t_ms < job.by_ms:
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
        self.sim.advance(slot_ms)
        for running in [r for r in self._pending if r.act and r.act.yields]:
            if slot_ms - running.ready_ms > YIELD_MS or not self._allowed(running, slot_ms):
                self._pending.remove(running)
                self._go_on(running, self._next(running, slot_ms), slot_ms)

    def _choose(self, slot_ms: float) -> _Running | None:
        """The first in turn that may go on now."""
        self.sim.advance(slot_ms)
        kept = self._kept(slot_ms)
        for running in self._in_turn():
            if self._allowed(running, slot_ms) and (not kept or _urgency(running)):
                return running
        return None

    def _later(self, slot_ms: float) -> float:
        """When to look again: soon, or when the next one wants to go on."""
        next_ms = min((at_ms for at_ms, _, _ in self._resume if at_ms > slot_ms), default=inf)
        return min(slot_ms + self.pace.apart, next_ms)

    def _kept(self, slot_ms: float) -> bool:
        """Whether the one with the least time to lose wants to go on too soon after what is done now."""
        if not self._resume or not self._pending or self.haste.reserves == NEVER:
            return False
        at_ms, _, other = max(self._resume, key=lambda row: row[2].end_ms)
        if other.end_ms <= max(r.end_ms for r in self._pending):
            return False
        after_ms, tap_ms = at_ms - slot_ms, self.pace.tap
        if self.haste.reserves == LOOSELY:  # its release may be late
            return not other.taps and (
                0.0 < after_ms < self._gap(1) or tap_ms < after_ms < tap_ms + self.pace.apart
            )
        most_ms = self.pace.apart + WOBBLE_MS
        return 0.0 < after_ms < most_ms or tap_ms < after_ms <= tap_ms + most_ms

    def _gap(self, more: int) -> float:
        """From the next stimulus but `more` to the one after it."""
        return self.pace.apart + ((self._emitted + more) * WOBBLE_STEP + self.seed) % WOBBLE_MS

    def _in_turn(self) -> list[_Running]:
        """Releases first; of the others those that are to be first, and those with the least time to lose. Of
        what is in no hurry that goes first which is seen in other company than before."""
        calm_ms, standing = -inf, (0, 0)
        if self.company is not None and len(self._pending) > 1:
            calm_ms = max(r.end_ms for r in (*self._pending, *(r for *_, r in self._resume))) - CALM_MS
            standing = self.company.standing(self.sim)
        return sorted(self._pending, key=lambda r: self._turn(r, calm_ms, standing))

    def _turn(self, running: _Running, calm_ms: float, standing: tuple[int, int]) -> tuple[float, ...]:
        urgent, act, end_ms, adds = _urgency(running), running.act, running.end_ms, 0
        if act is None or urgent:
            return -urgent, 0.0, 0.0, 0.0, running.ready_ms, running.order
        if self.company is not None and end_ms < calm_ms:
            end_ms, adds = 0.0, self.company.worth(act.name, *standing)
        return 0.0, not running.job.first, -end_ms, -adds, running.ready_ms, running.order

    def _makes_room(self, running: _Running, slot_ms: float) -> bool:
        """Whether it does not fill the time that another one wants."""
        act = running.act
        late = act is not None and act.urgent and slot_ms - running.ready_ms > PATIENCE_MS
        if act is None or not running.job.passes or act.urgent > 1 or late:
            return True
        until_ms = slot_ms + self.pace.apart + WOBBLE_MS
        soon = (*self._pending, *(r for at_ms, _, r in self._resume if at_ms < until_ms))
        return all(r.job.passes for r in soon)

    def _allowed(self, running: _Running, slot_ms: float) -> bool:
        if not self._makes_room(running, slot_ms):
            return False
        if running.act is None or running.act.urgent:
            return True
        if not self._is_heard(running, running.act, slot_ms) or not self._is_up_in_time(running, slot_ms):
            return False
        slots = 2 + 2 * len(running.act.opens)
        span_ms = self.pace.tap + slots * (self.pace.apart + WOBBLE_MS) + len(running.act.more) * BURST_MS
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

    def _is_up_in_time(self, running: _Running, slot_ms: float) -> bool:
        """Whether no keys that others may let go first can be in the way of its release for too long."""
        act = running.act
        if act is None or act.within_ms == inf:
            return True
        by_ms = slot_ms + act.within_ms
        ahead = sum(len(r.down) for r, at_ms in self._others(running) if not r.taps and at_ms < by_ms)
        gap_ms = self.pace.apart + WOBBLE_MS
        return not ahead or self.pace.tap + (ahead + 1) * gap_ms <= act.within_ms

    def _is_heard(self, running: _Running, act: Act, slot_ms: float) -> bool:
        """Whether what sends it is not silent; whether a silence is in the way of nobody else."""
        if act.hushes is not None:
            node, ms = act.hushes
            until_ms = slot_ms + ms + WAIT_MS
            if not all(self._can_spare(r, at_ms, node, until_ms) for r, at_ms in self._others(running)):
                return False
        if act.kind == "silent" and act.value:
            near_ms = self.pace.guard + 2 * self.pace.respond
            losses = self.sim.silences.losses(act.name, slot_ms)
            if self.sim.silences.clashes(losses, near_ms) or self._lets_go(running, losses, near_ms):
                return False
            return all(self.sim.node_of(key) != act.name for r, _ in self._others(running) for key in r.down)
        names = (*(a.name for a in (act, *act.more)), *act.opens)
        return all(self._hushed.get(self.sim.node_of(name), running) is running for name in names)

    def _lets_go(self, running: _Running, losses: Collection[Loss], near_ms: float) -> bool:
        """Whether another one that holds a key goes on about when something is lost that reaches it."""
        return any(
            other.down
            and abs(at_ms - loss.at_ms) < near_ms
            and not other.job.clusters.isdisjoint(loss.clusters)
            for other, at_ms in self._others(running)
            for loss in losses
        )

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
        running.taps = act.kind == "press" and act.as_tap
        running.end_ms += 0.0 if act.kind == "release" and act.as_tap else slot_ms - running.ready_ms
        self.sim.advance(slot_ms)
        as_tap = act.as_tap and act.kind == "release"
        from_ms = running.down[act.name] + self.pace.tap if as_tap else slot_ms
        self._do(running, act, slot_ms)
        for other in act.more:
            slot_ms += BURST_MS
            self.sim.advance(slot_ms)
            self._do(running, other, slot_ms)
        from_ms = from_ms if as_tap else slot_ms
        heapq.heappush(self._resume, (max(from_ms + act.then_ms, slot_ms), running.order, running))
        return slot_ms

    def _do(self, running: _Running, act: Act, t_ms: float) -> None:
        if self.steps:  # what waits beside a burst
            t_ms = max(t_ms, self.steps[-1].at_ms)
        covers = act.covers if act.holds is None or act.holds() else ()
        if self.spared is not None:
            self.spared.before(self.sim, act.kind, act.name, len(self.steps))
        enact = self.sim.enact if self.company is None else partial(self.company.enact, self.sim)
        enact(act.kind, act.name, act.value)
        if act.hushes is not None:
            self._hushed[act.hushes[0]] = running
        elif act.kind == "silent" and not act.value:
            self._hushed.pop(act.name, None)
        if act.kind == "press":
            running.down[act.name] = t_ms
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


def _urgency(running: _Running) -> int:
    """A silence is not to last any longer than it must."""
    act = running.act
    return 0 if act is None else act.urgent or int(act.kind == "silent" and not act.value)
