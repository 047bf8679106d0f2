"""A plan: every transition of every cluster, side by side, and what lies between clusters."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from typing import NamedTuple

from bench.core.errors import SpecError
from bench.core.plan import Plan, Step
from bench.oracle import Oracle
from bench.spec.model import Spec

from .agree import check_scenarios
from .alike import alike
from .coverage import recount
from .desk import Desk
from .jobs import OUTSIDE, jobs, tours
from .pace import Pace
from .scenario import SCENARIO, needs_supply, scenario_jobs
from .sim import Sim
from .tour import TOUR, Tour
from .weave import Job, Weave

SHORT_MS = 13_000.0  # of the 20 s of a short run; the rest is for listening, home and the end
REST_MS = 500.0  # watched after the last stimulus


class Woven(NamedTuple):
    """A plan in the making. `ended_ms`: title of a job -> when it ended; `tours`: of the clusters."""

    steps: list[Step]
    end_ms: float
    jobs: list[Job]
    ended_ms: dict[str, float]
    tours: list[Tour]


def make_plan(
    spec: Spec,
    *,
    short: bool = False,
    seed: int = 0,
    supply: bool = False,
    only: Collection[str] = (),
    sequences: int = 1,
) -> Plan:
    """The plan for a boat. `supply`: the bench can switch the supply, so waking up is tested. `only`:
    circuits; what touches none of them is left out (empty: nothing is). `sequences`: 2 or 3 to do every
    sequence of so many keys in each cluster, too; a short plan does none.

    `short` keeps the whole run within 20 s and says what it leaves out. The same arguments give the
    same plan. Raises SpecError where a scenario contradicts the rest of the spec, InternalError when a script
    does not come to an end.
    """
    model = Oracle(spec)
    if disagreed := check_scenarios(spec, model):
        raise SpecError(disagreed)
    whole = _weave(
        spec, model, short=False, seed=seed, supply=supply, left_out=frozenset(), only=only,
        sequences=1 if short else sequences,
    )  # fmt: skip
    if not short:
        return _finish(spec, model, whole, seed=seed, supply=supply, only=only)
    left_out: frozenset[str] = frozenset()
    while True:
        made = _weave(spec, model, short=True, seed=seed, supply=supply, left_out=left_out, only=only)
        if made.end_ms <= SHORT_MS or not made.jobs:
            return _finish(spec, model, made, seed=seed, supply=supply, whole=whole.steps, only=only)
        left_out |= {_spare(made).title}


def _spare(woven: Woven) -> Job:
    """The job a short plan can best do without: of those that wait for each other until the end, one
    whose behaviour another job still samples."""
    last = max(woven.jobs, key=lambda j: woven.ended_ms[j.title])
    held_up = [j for j in woven.jobs if j.clusters & last.clusters]
    kinds = Counter(j.title.split()[0] for j in woven.jobs)
    return max(held_up, key=lambda j: (kinds[j.title.split()[0]] > 1, j.rank, len(j.clusters), j.title))


def _weave(
    spec: Spec,
    model: Oracle,
    *,
    short: bool,
    seed: int,
    supply: bool,
    left_out: frozenset[str],
    only: Collection[str],
    sequences: int = 1,
) -> Woven:
    pace = Pace.of(spec)
    sim = Sim(model, spec)
    desk = Desk(spec, sim, pace, short=short, seed=seed)
    wanted = desk.clusters(only) if only else desk.clusters(spec.circuits)
    told = [] if short else [j for j in scenario_jobs(desk, supply=supply) if j.tests & wanted]
    weave = Weave(sim, pace, seed)
    begin_ms = weave.run(told)
    toured = [] if short else tours(desk, model, sequences)
    toured = [t for t in toured if t.machine.cluster in wanted]
    every = jobs(desk, toured, supply=supply)
    chosen = [j for j in every if j.title not in left_out and not (j.tests or j.clusters).isdisjoint(wanted)]
    if only:
        chosen = [j for j in chosen if j.rank < OUTSIDE]
    end_ms = weave.run(chosen, begin_ms)
    return Woven(weave.steps, end_ms + REST_MS, [*told, *chosen], weave.ended_ms, toured)


def _finish(
    spec: Spec,
    model: Oracle,
    woven: Woven,
    *,
    seed: int,
    supply: bool,
    whole: list[Step] | None = None,
    only: Collection[str] = (),
) -> Plan:
    steps, end_ms = woven.steps, woven.end_ms
    earned = recount(spec, Sim(model, spec), steps, Pace.of(spec), end_ms)
    steps = [
        Step(s.at_ms, s.kind, s.name, s.value, s.about, (*s.covers, *earned[i])) for i, s in enumerate(steps)
    ]
    tags = dict.fromkeys(t for s in steps for t in s.covers)
    not_tested = _never(spec, tags, supply=supply)
    left = [text for t in woven.tours for text in t.not_done()]
    if left:
        not_tested["some transitions"] = "; ".join(left)
    pairs = alike(spec, [t.machine for t in woven.tours])
    if only:
        not_tested["everything else"] = f"the plan was made for {', '.join(only)} only"
    kind = "short sample" if whole is not None else f"plan for {', '.join(only)}" if only else "full plan"
    title = f"{spec.boat.name}: {kind}"
    if whole is not None:
        not_tested["each transition"] = "left out of the short plan"
        missing = [t for t in dict.fromkeys(t for s in whole for t in s.covers) if t not in tags]
        missing = [t for t in missing if not t.startswith(f"{TOUR} ")]
        for behaviour, subjects in _by_behaviour(missing).items():
            not_tested[behaviour] = f"left out of the short plan: {'; '.join(subjects)}"
    return Plan(
        title=title, steps=tuple(steps), duration_ms=end_ms, start="off", seed=seed,
        covered=tuple(_words(tags, woven.tours)), not_tested=not_tested,
        toured=tuple(t.facts(steps) for t in woven.tours),
        alike=tuple(a for a in pairs if not only or {a.one, a.other} & set(only)),
    )  # fmt: skip


def _by_behaviour(tags: Iterable[str]) -> dict[str, list[str]]:
    out: dict[str, list[str]] = {}
    for tag in tags:
        behaviour, _, rest = tag.partition(" ")
        out.setdefault(behaviour, []).append(rest)
    return out


def _words(tags: Iterable[str], toured: Sequence[Tour]) -> list[str]:
    """One line per behaviour, complete enough to recount."""
    found = _by_behaviour(tags)
    done = Counter(tag.partition(": ")[0] for tag in found.pop(TOUR, ()))
    if done:
        found[TOUR] = [t.said(done[t.title]) for t in toured]
    if said := [text for t in toured if (text := t.said_of_sequences())]:
        found["sequences"] = said
    return [f"{behaviour}: {'; '.join(rest)}" for behaviour, rest in sorted(found.items())]


def _never(spec: Spec, tags: Iterable[str], *, supply: bool) -> dict[str, str]:
    """What this plan cannot or does not touch, and why."""
    have = set(tags)
    out: dict[str, str] = {}
    for circuit in spec.circuits:
        if not any(t.startswith(f"current {circuit} at ") for t in have):
            out[f"current of {circuit}"] = "it is never on for long enough to be watched"
    for control in spec.controls.values():
        kind = spec.functions[control.function].kind
        for effect in ("on", "off"):
            if kind not in ("on", "off") and f"control {control.name} {effect}" not in have:
                out[f"{control.name} switching {effect}"] = "no press of it has this effect in this plan"
    if not supply and any(t.startswith("wake ") for t in have):
        out["loss of the supply"] = "the bench cannot switch it"
    for name, steps in spec.scenarios.items():
        if not supply and needs_supply(steps):
            out[f"{SCENARIO} {name}"] = "it takes the supply away, which the bench cannot switch"
    out["by hand"] = "needs a person or a fixture at the box"
    trips = [c.name for c in spec.circuits.values() if c.trip is not None]
    if trips:
        out["overload trip"] = f"needs a load bank: {', '.join(trips)}"
    if any(b.supply is not None for b in spec.boxes.values()):
        out["supply low"] = "needs a supply whose voltage can be set"
    lost = [
        f"{n.kind} {n.name}" for n in (*spec.panels.values(), *spec.screens.values()) if n.lost is not None
    ]
    lost += [f"sensor {s.name}" for s in spec.sensors.values() if s.lost is not None]
    if lost:
        out["loss of a panel, screen or sensor"] = f"not part of this plan: {', '.join(lost)}"
    out["presses closer together, long sequences"] = "not part of this plan"
    if not any(t.startswith("wake ") for t in have):
        out["wake-up"] = "the bench cannot switch the supply"
    return out
