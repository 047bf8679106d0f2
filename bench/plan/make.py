"""A plan: every transition of every cluster, side by side, and what lies between clusters."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import replace

from bench.core.errors import SpecError
from bench.core.plan import Plan, Since, Step
from bench.spec.model import Spec

from .act import Job
from .agree import check_scenarios
from .alike import alike
from .budget import urgent_tags, within
from .chains import shortest
from .company import company_of
from .mingle import COMPANY
from .said import by_behaviour, covered_words, never, uncovered
from .sim import Sim
from .since import Compared
from .tour import TOUR
from .weaver import Weaver, Woven

SHORT_MS = 13_000.0  # of the 20 s of a short run; the rest is for listening, home and the end


def make_plan(
    spec: Spec, *, short: bool = False, seed: int = 0, supply: bool = False, only: Collection[str] = (),
    sequences: int = 1, company: bool = False, seconds: float | None = None, since: Compared | None = None,
) -> Plan:  # fmt: skip
    """The plan for a boat. `supply`: the bench can switch the supply, so waking up is tested. `only`:
    circuits; what touches none of them is left out (empty: nothing is). `sequences`: 2 or 3 to do every
    sequence of so many keys in each cluster, too; a short plan does none. `company`: keys in other company
    until hardly anything is added, not only in idle time. `seconds`: the most it may last.
    `since`: what differs from another spec, to be planned first.

    `short` keeps the whole run within 20 s and says what it leaves out. The same arguments give the
    same plan. Raises SpecError where a scenario contradicts the rest of the spec; UsageError when `seconds`
    are too few for anything; InternalError when a script does not come to an end.
    """
    first = since.first if since is not None else None
    weaver = Weaver(
        spec, seed=seed, supply=supply, only=only, first=first, sequences=1 if short else sequences,
        company=company,
    )  # fmt: skip
    if disagreed := check_scenarios(spec, weaver.model):
        raise SpecError(disagreed)
    whole = shortest(lambda haste, seen: weaver.weave(haste=haste, seen=None if only else seen))
    if seconds is not None:
        woven, steps = within(weaver, whole, seconds)
        if woven is not whole:
            plan = _cut(weaver, woven, steps, whole, seconds)
            return _with_since(plan, since, woven, weaver.credited(whole), whole)
    if not short:
        steps = weaver.credited(whole)
        plan = replace(_finish(weaver, whole, steps), merged=weaver.merged())
        return _with_since(plan, since, whole, steps, whole)
    left_out: frozenset[str] = frozenset()
    while True:
        made = weaver.weave(short=True, left_out=left_out)
        if made.end_ms <= SHORT_MS or not made.jobs:
            return _short(weaver, made, whole)
        left_out |= {_spare(made).title}


def _spare(woven: Woven) -> Job:
    """The job a short plan can best do without: of those that wait for each other until the end, one
    whose behaviour another job still samples."""
    last = max(woven.jobs, key=lambda j: woven.ended_ms[j.title])
    held_up = [j for j in woven.jobs if j.clusters & last.clusters]
    kinds = Counter(j.title.split()[0] for j in woven.jobs)
    return max(held_up, key=lambda j: (kinds[j.title.split()[0]] > 1, j.rank, len(j.clusters), j.title))


def _with_since(
    plan: Plan, since: Compared | None, woven: Woven, whole_steps: Sequence[Step], whole: Woven
) -> Plan:
    """The plan with what changed, and until when that is worked on."""
    if since is None:
        return plan
    urgent = urgent_tags(whole, whole_steps)
    firsts = {j.title for j in woven.jobs if j.first}
    last_ms = [s.at_ms for s, by in zip(plan.steps, woven.by, strict=True) if by in firsts]
    last_ms += [ms for title, ms in woven.ended_ms.items() if title in firsts]
    told = Since(
        other=since.other, changes=tuple(c.text for c in since.changes), circuits=since.circuits,
        until_ms=max(last_ms, default=0.0), whole=urgent <= {t for s in plan.steps for t in s.covers},
    )  # fmt: skip
    return replace(plan, since=told)


def _finish(weaver: Weaver, woven: Woven, steps: list[Step], *, cut: bool = False) -> Plan:
    """What every plan says of itself."""
    spec, only = weaver.spec, weaver.only
    tags = dict.fromkeys(t for s in steps for t in s.covers)
    not_tested = never(spec, tags, supply=weaver.supply)
    left = [text for t in woven.tours for text in t.not_done()]
    if left:
        not_tested["some transitions"] = "; ".join(left)
    if only:
        not_tested["everything else"] = f"the plan was made for {', '.join(only)} only"
    covered = covered_words(tags, woven.tours)
    share = company_of(spec, Sim(weaver.model, spec), weaver.pace, steps)
    if share.of_one and not only:
        covered.append(f"{COMPANY}: {share.words}")
    kind = f"plan for {', '.join(only)}" if only else "full plan"
    return Plan(
        title=f"{spec.boat.name}: {kind}", steps=tuple(steps), duration_ms=woven.end_ms, start="off",
        seed=weaver.seed, covered=tuple(sorted(covered)), not_tested=not_tested,
        toured=tuple(t.facts(steps, cut=cut) for t in woven.tours),
        alike=tuple(
            a
            for a in alike(spec, [t.machine for t in woven.tours])
            if not only or {a.one, a.other} & set(only)
        ),
    )  # fmt: skip


def _short(weaver: Weaver, woven: Woven, whole: Woven) -> Plan:
    plan = _finish(weaver, woven, weaver.credited(woven))
    tags = {t for s in plan.steps for t in s.covers}
    not_tested = {**plan.not_tested, "each transition": "left out of the short plan"}
    missing = [t for t in dict.fromkeys(t for s in whole.steps for t in s.covers) if t not in tags]
    missing = [t for t in missing if not t.startswith(f"{TOUR} ")]
    for behaviour, subjects in by_behaviour(missing).items():
        not_tested[behaviour] = f"left out of the short plan: {'; '.join(subjects)}"
    return replace(plan, title=f"{weaver.spec.boat.name}: short sample", not_tested=not_tested)


def _cut(weaver: Weaver, woven: Woven, steps: list[Step], whole: Woven, seconds: float) -> Plan:
    """A plan for a given time, with what the full one covers besides."""
    plan, full = _finish(weaver, woven, steps, cut=True), _finish(weaver, whole, weaver.credited(whole))
    tags = {t for s in plan.steps for t in s.covers}
    missing = [t for t in dict.fromkeys(t for s in full.steps for t in s.covers) if t not in tags]
    rows = uncovered(missing, woven.tours)
    not_tested = {k: why for k, why in plan.not_tested.items() if k in full.not_tested}
    if "some transitions" in full.not_tested:
        not_tested["some transitions"] = full.not_tested["some transitions"]
    not_tested |= {kind: f"no time for it in {seconds:g} s: {which}" for kind, which in rows.items()}
    return replace(
        plan, title=f"{plan.title.replace('full plan', 'plan')} in {seconds:g} s", not_tested=not_tested,
        uncovered=tuple(f"{kind}: {which}" for kind, which in rows.items()),
    )  # fmt: skip
