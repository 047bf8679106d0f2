"""People who err, skip or leave make no healthy box fail, and no fault land on something else."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Collection, Iterator, Mapping

from bench.cli.boats import BOATS
from bench.core import look
from bench.core.plan import OF_PERSON, Plan
from bench.core.verdict import FAIL, PASS, Verdict
from bench.evidence.faults import BY_HAND, TO_BE_SEEN, Case, cases
from bench.evidence.page import Page, Table
from bench.lab.api import load_boat, run_virtual
from bench.lab.person import SimulatedPerson
from bench.plan import make_plan
from bench.plan.by_hand import with_by_hand
from bench.plan.look import with_looks
from bench.run.api import Boat, Wishes
from bench.twin import Fault

RUNS = 72
SEEDS = 3  # of each fault
CIRCUITS = 10  # worked by hand in a run, at most
ERRS = ("skips", "silent", "idle", "wrong", "forgets", "nods")
LOOKS = ("lamps", "backlights", "labels", "horn")
HOW_OFTEN = (0.0, 0.02, 0.1, 0.3)


def plan_for(boat: Boat, chance: random.Random, must: Collection[str] = ()) -> Plan:
    """The short plan, all looks, and the by-hand phase of some circuits, of which `must` are some."""
    names = list(boat.spec.circuits)
    reached = {*chance.sample(names, min(CIRCUITS, len(names))), *must}
    plan = with_looks(boat.spec, make_plan(boat.spec, short=True, supply=True), LOOKS)
    return with_by_hand(boat.spec, plan, reached=reached)


def habits_for(plan: Plan, chance: random.Random, share: float) -> Mapping[str, str]:
    """What the person does wrong, at this share of what is asked."""
    asked = dict.fromkeys(s.name for s in plan.steps if s.kind in OF_PERSON)
    return {name: chance.choice(ERRS) for name in asked if chance.random() < share}


def run_one(
    word: str, seed: int, share: float, fault: str | None = None, must: Collection[str] = (),
    heed: bool = False,
) -> tuple[Verdict, Mapping[str, str]]:  # fmt: skip
    """The verdict of a run in which a person errs so often, and how they erred. `must`: what is asked for in
    any case, and done as asked with `heed`."""
    boat, chance = load_boat(word), random.Random(f"{word} {seed}")
    plan = plan_for(boat, chance, must)
    habits = habits_for(plan, chance, share)
    if heed:
        habits = {name: habit for name, habit in habits.items() if not _is_of(name, must)}
    person = SimulatedPerson(boat.spec, habits=habits, takes_s=chance.choice((1.0, 3.0, 8.0)))
    wishes = Wishes(plan=plan, operator=person, answer_within_s=20.0)
    faults = () if fault is None else (Fault.parse(fault),)
    return run_virtual(boat=boat, faults=faults, seed=seed, wishes=wishes).verdict, habits


def _is_of(asked: str, subjects: Collection[str]) -> bool:
    """Whether a question is about one of these: circuits, or looks as the verdict names them."""
    return asked in subjects or look.split(asked)[1] in {s.split(" ")[-1] for s in subjects}


def healthy(count: int) -> Iterator[tuple[str, int, float]]:
    """(boat, seed, share of what is done wrong), in turn."""
    words = list(BOATS)
    for k in range(count):
        yield words[k % len(words)], k, HOW_OFTEN[k // len(words) % len(HOW_OFTEN)]


def wrong_of_healthy(verdict: Verdict, habits: Mapping[str, str]) -> str:
    """Empty where a healthy box came out as it must."""
    if verdict.discrepancies:
        return f"fails on {', '.join(d.subject for d in verdict.discrepancies)}"
    if not habits and verdict.outcome != PASS:
        return f"{verdict.outcome} though nothing was done wrong: {verdict.doubts[0].reason}"
    if set(habits.values()) & {"skips", "silent"} and verdict.outcome == PASS:
        return "passes though something was not done"
    return ""


def study(sample: float = 1.0) -> Page:
    """Healthy boxes and faulty ones, with people who err at random."""
    count = max(len(BOATS), round(RUNS * sample))
    by_share: dict[float, Counter[str]] = {}
    wrong = []
    for word, seed, share in healthy(count):
        verdict, habits = run_one(word, seed, share)
        by_share.setdefault(share, Counter())[verdict.outcome] += 1
        if said := wrong_of_healthy(verdict, habits):
            wrong.append(f"{word} seed {seed}: {said}")
    rows: list[list[object]] = [
        [f"{share:.0%}", c.total(), c[PASS], c["inconclusive"], c[FAIL]]
        for share, c in sorted(by_share.items())
    ]
    faulty = [c for c in cases() if c.where in (BY_HAND, TO_BE_SEEN) and c.expected.outcome == FAIL]
    some = faulty[: max(1, round(len(faulty) * sample))]
    more, missed = _faulty(some, range(1, max(1, round(SEEDS * sample)) + 1))
    wrong += missed
    summary = (
        f"{count} runs on healthy boxes, none wrong; {len(some)} faults found in each run in which what "
        "shows them was done"
    )
    if wrong:
        summary = f"{len(wrong)} wrong: {'; '.join(wrong)}"
    header = ("done wrong", "runs", "pass", "inconclusive", "fail")
    about = (
        "A simulated person works some circuits by hand, looks at every lamp and backlight, listens for the "
        "horn and reads the labels of each shipped boat, and skips, falls silent, says yes without a look or "
        "without doing it, takes the next fuse or forgets to put one back, at random."
    )
    tables = (
        Table(header, rows, "Healthy boxes."),
        Table(
            ("boat", "fault", "runs, all of it done", "found", "runs, it was not done", "found all the same"),
            more,
            "Faulty boxes, elsewhere one thing in ten done wrong. Where just what would show the fault is "
            "skipped, said to be done and is not, or nodded at, nothing can be found: by hand that is "
            "inconclusive. A person is believed who says so where no box reports it (dunlin's links; "
            "docs/by-hand.md), and who nods at what they did not look at.",
        ),
    )
    return Page("persons", "People who err", about, not wrong, summary, tables)


def _faulty(some: list[Case], seeds: range) -> tuple[list[list[object]], list[str]]:
    """What faults come to where one look or circuit in ten goes wrong, in runs in which what shows them is
    done, and in others in which it is not."""
    rows: list[list[object]] = []
    wrong = []
    for case in some:
        fault, subjects = f"{case.kind}:{case.expected.argument}", case.expected.subjects
        found, luck = 0, 0
        for seed in seeds:
            verdict, _ = run_one(case.boat, seed, 0.1, fault, subjects, heed=True)
            others = [d.subject for d in verdict.discrepancies if d.subject not in subjects]
            is_found = verdict.outcome == FAIL and not others
            found += is_found
            if not is_found:
                wrong.append(f"{case.boat} {case.kind} seed {seed}: {verdict.outcome} {', '.join(others)}")
            verdict, others = _undone(case, seed, fault)
            luck += verdict.outcome == FAIL
            if others or (verdict.outcome == PASS and _shows(case)):
                wrong.append(f"{case.boat} {case.kind} seed {seed}, not done: {verdict.outcome} {others}")
        rows.append([case.boat, case.kind, len(seeds), found, len(seeds), luck])
    return rows, wrong


def _shows(case: Case) -> bool:
    """Whether the box reports what is worked by hand, so that it shows that nothing was."""
    boxes = load_boat(case.boat).spec.boxes.values()
    return case.where == BY_HAND and all(b.by_hand.sensed == "flag" for b in boxes)


def _undone(case: Case, seed: int, fault: str) -> tuple[Verdict, list[str]]:
    """A run in which the person skips or only nods at whatever would show the fault; what else is named."""
    boat, chance = load_boat(case.boat), random.Random(f"{case.boat} {seed} undone")
    plan = plan_for(boat, chance, case.expected.subjects)
    asked = dict.fromkeys(s.name for s in plan.steps if s.kind in OF_PERSON)
    habit = chance.choice(("skips", "idle")) if case.where == BY_HAND else chance.choice(("skips", "nods"))
    habits = {name: habit for name in asked if _is_of(name, case.expected.subjects)}
    wishes = Wishes(plan=plan, operator=SimulatedPerson(boat.spec, habits=habits), answer_within_s=20.0)
    verdict = run_virtual(boat=boat, faults=(Fault.parse(fault),), seed=seed, wishes=wishes).verdict
    roots = [d.subject for d in verdict.discrepancies]
    return verdict, [r for r in roots if r not in case.expected.subjects]
