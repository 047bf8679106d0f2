"""Which scripts a boat needs, in which order, and which clusters each one holds."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial

from bench.oracle import Oracle

from .act import Job
from .burst import burst_job
from .desk import Desk
from .lost import lost_jobs
from .machine import Machine
from .rules import follow, force, inhibit, only_off, only_on, others_stay, outside, outside_on, scene
from .scripts import auto_off, cycle, dim, group, momentary, toggle
from .strangers import rest_stays
from .tour import Tour
from .waking import wake

FAR = 1.25  # times as long as the next
QUICK_MS = 30_000.0  # clusters that are gone through in as long are soon free for what needs several
# ranks: long timers first, what needs several clusters last; a short plan drops the highest ranks
TIMER, CLUSTER, RULE, DIM, SILENT, SHARED, OUTSIDE, MINGLED, SPARED, WAKE = range(10)


def jobs(desk: Desk, toured: Sequence[Tour], *, supply: bool) -> list[Job]:
    """All jobs of a plan beside the tours; with `supply` waking up begins with the supply off."""
    done = {t.machine.cluster for t in toured}
    by_pairs = {t.machine.cluster for t in toured if t.pairs is not None}
    made = [
        Job(f"tour {t.title}", frozenset({t.machine.cluster}), t.script, TIMER, t.time_ms) for t in toured
    ]
    rest = [*_timers(desk), *_functions(desk), *_rules(desk)]
    made += [j for j in rest if not j.clusters <= done or j.rank == DIM or _waits_in(j, by_pairs)]
    everything = frozenset(desk.sim.cluster_of.values())
    waiting = {t.machine.cluster for t in toured if t.waits}
    made += _shared(desk)
    timed = desk.clusters(c.name for c in desk.spec.circuits.values() if c.auto_off is not None)
    if not desk.short:
        made += lost_jobs(desk, waiting | timed, SILENT, late=SHARED)
        quick = {t.machine.cluster for t in toured if t.time_ms <= QUICK_MS} - waiting - timed
        made += burst_job(desk, quick, CLUSTER)
    late = _outlasting(toured)
    made += _off(desk, everything - waiting, late)
    made += _outside(desk, everything - waiting)
    if not desk.short:
        made += [
            Job(f"off {f.name} beside the rest", everything, partial(rest_stays, desk, f), SPARED,
                tests=desk.clusters(f.circuits))
            for f in desk.functions("off")
        ]  # fmt: skip
    by_message = any(b.wake.by == "message" for b in desk.spec.boxes.values())
    if (supply or by_message) and not desk.short:
        made.append(Job("wake", everything, partial(wake, desk, supply=supply), WAKE, uncut=True))
    return [j if j.title.startswith("tour ") else _with_help(desk, j) for j in made]


def _with_help(desk: Desk, job: Job) -> Job:
    return replace(job, clusters=desk.with_help(job.clusters), tests=job.tests or job.clusters)


def tours(desk: Desk, model: Oracle, sequences: int = 1) -> list[Tour]:
    """A tour of each cluster, the longest first, with every sequence of so many letters."""
    rests = ((k, desk.sim.states(k)[0]) for k in range(len(model.clusters)))  # as the scenarios left them
    machines = (Machine(model, desk.spec, desk.pace, k, rest) for k, rest in rests)
    return sorted((Tour(desk, m, sequences) for m in machines if m.moves(0)), key=lambda t: -t.time_ms)


def _waits_in(job: Job, clusters: set[int]) -> bool:
    """Whether it waits for a timer in one of these, of which no tour waits for any."""
    return job.title.startswith("auto-off ") and not job.clusters.isdisjoint(clusters)


def _timers(desk: Desk) -> Iterator[Job]:
    for c in desk.spec.circuits.values():
        if c.auto_off is not None and desk.reach(c.name) and not desk.short:
            clusters = desk.clusters([c.name])
            f = desk.toggle_of.get(c.name)
            if f is not None:  # first, so that a timer that survives an off would end the run early
                yield Job(f"toggle {c.name}", clusters, partial(toggle, desk, f), TIMER)
            yield Job(f"auto-off {c.name}", clusters, partial(auto_off, desk, c), TIMER)


def _functions(desk: Desk) -> Iterator[Job]:
    for f in desk.functions("toggle"):
        c = desk.spec.circuits[f.members[0]]
        if c.dim is not None:
            yield Job(f"dim {c.name}", desk.clusters([c.name]), partial(dim, desk, c, f), DIM)
        elif c.auto_off is None or desk.short or desk.toggle_of[c.name] is not f:
            yield Job(f"toggle {f.name}", desk.clusters([c.name]), partial(toggle, desk, f), CLUSTER)
    for kind, script in (("cycle", cycle), ("group", group), ("momentary", momentary)):
        for f in desk.functions(kind):
            yield Job(f"{kind} {f.name}", desk.clusters(f.circuits), partial(script, desk, f), CLUSTER)


def _rules(desk: Desk) -> Iterator[Job]:
    for force_rule in desk.spec.forces:
        clusters = desk.clusters([force_rule.circuit])
        title = f"force {force_rule.circuit} by {force_rule.sensor}"
        yield Job(title, clusters, partial(force, desk, force_rule), RULE)
    for rule in desk.spec.inhibits:
        for source in rule.sources[:1] if desk.short else rule.sources:
            if desk.reach(source) and desk.reach(rule.circuit):
                clusters = desk.clusters([rule.circuit, source])
                title = f"inhibit {rule.circuit} by {source}"
                yield Job(title, clusters, partial(inhibit, desk, rule, source), RULE)
    for follow_rule in desk.spec.follows:
        for source in follow_rule.sources[:1] if desk.short else follow_rule.sources:
            if desk.reach(source):
                clusters = desk.clusters([follow_rule.circuit, source])
                title = f"follow {follow_rule.circuit} of {source}"
                yield Job(title, clusters, partial(follow, desk, follow_rule, source), RULE)


def _shared(desk: Desk) -> Iterator[Job]:
    for kind, script in (("scene", scene), ("on", only_on)):
        for f in desk.functions(kind):
            yield Job(f"{kind} {f.name}", desk.clusters(f.circuits), partial(script, desk, f), SHARED)


def _outlasting(toured: Sequence[Tour]) -> int | None:
    """The cluster of which the tour takes far longer than any other."""
    found = sorted(toured, key=lambda t: -t.time_ms)
    second_ms = found[1].time_ms if len(found) > 1 else 0.0
    if not found or found[0].time_ms < max(QUICK_MS, FAR * second_ms):
        return None
    return found[0].machine.cluster


def _off(desk: Desk, quiet: frozenset[int], late: int | None) -> Iterator[Job]:
    """`quiet`: clusters in which no timer is waited for; `late`: that of the longest tour, for which nothing
    else waits."""
    for f in desk.functions("off"):
        own, others = desk.clusters(f.circuits), list[str]()
        if not desk.short:
            others = [c for c in desk.toggle_of if _stays(desk, c, quiet) and c not in f.circuits]
        last = [c for c in others if desk.sim.cluster_of[c] == late and late not in own]
        others = [c for c in others if c not in last]
        clusters = own | desk.clusters(others)
        yield Job(f"off {f.name}", clusters, partial(only_off, desk, f, others), SHARED, tests=own)
        if last:
            title, script = f"off {f.name} beside {', '.join(last)}", partial(others_stay, desk, f, last)
            yield Job(title, own | desk.clusters(last), script, SHARED, tests=own)


def _outside(desk: Desk, quiet: frozenset[int]) -> Iterator[Job]:
    members = ([m for m in f.members if m in desk.toggle_of] for f in desk.functions("off"))
    still = ([m for m in mine if desk.sim.cluster_of[m] in quiet] for mine in members)
    some = list(dict.fromkeys(mine[0] for mine in still if mine))
    for control in desk.spec.outside:
        yield Job(f"outside {control}", quiet, partial(outside, desk, control), OUTSIDE)
        if some and not desk.short:
            title, script = f"outside {control} with some on", partial(outside_on, desk, control, some)
            yield Job(title, desk.clusters(some), script, OUTSIDE)


def _stays(desk: Desk, circuit: str, quiet: frozenset[int]) -> bool:
    """Whether it stays on by itself, whatever else is on."""
    ruled = {r.circuit for r in desk.spec.inhibits} | {r.circuit for r in desk.spec.follows}
    timed = desk.spec.circuits[circuit].auto_off is not None
    return desk.sim.cluster_of[circuit] in quiet and circuit not in ruled and not timed
