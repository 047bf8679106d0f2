"""A supply as second witness: healthy boxes are never accused, outputs that only pretend always found."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Mapping

from bench.cli.boats import BOATS
from bench.core.link import Meter
from bench.core.plan import Plan
from bench.core.verdict import FAIL, PASS, Verdict
from bench.evidence.page import Page, Table
from bench.lab.api import load_boat, run_virtual
from bench.lab.person import SimulatedPerson
from bench.lab.virtual_supply import Manner
from bench.plan import make_plan
from bench.plan.by_hand import choose, with_by_hand
from bench.plan.witness import with_witness
from bench.rig import Setting
from bench.run.api import Boat, SupplyWish, Wishes
from bench.twin import Fault

RUNS = 300
LIMIT_A = 900.0  # no cold lamp takes this supply to its limit
HANDS = 3  # circuits worked by hand in a run, at most
BY_HAND_SHARE = 0.4


def manner_for(chance: random.Random) -> tuple[Manner, Meter]:
    """A supply, quick or slow, and what is stated of it."""
    manner = Manner(
        answer_ms=chance.choice((5.0, 20.0, 80.0, 250.0)),
        refresh_ms=chance.choice((0.0, 50.0, 150.0, 400.0)),
        step_a=chance.choice((0.001, 0.01, 0.1)),
        off_pct=chance.uniform(-2.0, 2.0),
    )
    return manner, Meter(chance.choice((0.2, 0.3, 0.5, 1.0)), manner.refresh_ms)


def plan_for(boat: Boat, meter: Meter, chance: random.Random) -> Plan:
    """Tours cut short, or the short plan; mostly each circuit alone; sometimes some by hand."""
    seconds = chance.choice((None, 12.0, 20.0))
    plan = make_plan(boat.spec, short=seconds is None, supply=True, seconds=seconds, seed=chance.randrange(9))
    if chance.random() < 0.6:
        plan = with_witness(boat.spec, plan, meter)
    if chance.random() < BY_HAND_SHARE:
        names = [c.name for c in choose(boat.spec).circuits]
        plan = with_by_hand(boat.spec, plan, reached=chance.sample(names, min(HANDS, len(names))))
    return plan


def run_one(
    word: str, seed: int, fault: str | None = None, habits: Mapping[str, str] | None = None,
    plan: Plan | None = None,
) -> tuple[Verdict, Plan]:  # fmt: skip
    """A run beside a supply of some kind, healthy or with one fault."""
    boat, chance = load_boat(word), random.Random(f"witness {word} {seed}")
    manner, meter = manner_for(chance)
    plan = plan or plan_for(boat, meter, chance)
    volts = next(iter(boat.spec.boxes.values())).supply_v
    wishes = Wishes(
        plan=plan, operator=SimulatedPerson(boat.spec, habits=habits or {}),
        supply=SupplyWish("simulated", Setting(volts, LIMIT_A, meter)), answer_within_s=20.0,
    )  # fmt: skip
    faults = () if fault is None else (Fault.parse(fault),)
    return run_virtual(boat=boat, faults=faults, seed=seed, wishes=wishes, manner=manner).verdict, plan


def channel_of(word: str, circuit: str) -> str:
    """`main 17`."""
    row = load_boat(word).spec.circuits[circuit]
    return f"{row.box} {row.channel}"


def study(sample: float = 1.0) -> Page:
    """Healthy boxes, and each circuit that pretends."""
    words = list(BOATS)
    counts: dict[str, Counter[str]] = {}
    wrong = []
    for k in range(max(len(words), round(RUNS * sample))):
        word = words[k % len(words)]
        verdict, _ = run_one(word, k)
        counts.setdefault(word, Counter())[verdict.outcome] += 1
        counts[word]["circuits witnessed"] += sum("by the supply" in t for t in verdict.tested.values())
        if verdict.outcome != PASS:
            said = [d.reason for d in verdict.doubts] + [d.subject for d in verdict.discrepancies]
            wrong.append(f"{word} seed {k}: {verdict.outcome}: {said[0]}")
    rows = [
        [w, c.total() - c["circuits witnessed"], c[PASS], c["circuits witnessed"]] for w, c in counts.items()
    ]
    more, missed = _pretending(words, sample)
    wrong += missed
    runs, found = (sum(int(str(r[1])) for r in some) for some in (rows, more))
    summary = f"{runs} healthy runs pass, {found} outputs that pretend are named, none missed"
    if wrong:
        summary = f"{len(wrong)} wrong: {'; '.join(wrong[:20])}"
    about = (
        "A simulated supply of random quickness (answers in 5 to 250 ms, a meter renewed every 0 to 400 ms "
        "in steps of 1 to 100 mA, wrong by up to 2 %, meeting dimmed loads at any instant) stands beside "
        "each shipped boat, with short plans, cut tours, circuits switched alone and some worked by hand."
    )
    tables = (
        Table(("boat", "healthy runs", "pass", "circuits witnessed, all runs"), rows, "Healthy boxes."),
        Table(
            ("boat", "outputs that report a current and deliver none", "named, and nothing else"), more,
            "Each circuit that is switched alone, with the short plan before it.",
        ),
    )  # fmt: skip
    return Page("witness", "The supply as second witness", about, not wrong, summary, tables)


def _pretending(words: list[str], sample: float) -> tuple[list[list[object]], list[str]]:
    rows: list[list[object]] = []
    wrong = []
    for word in words:
        spec, meter = load_boat(word).spec, Meter(0.5, 100.0)
        plan = with_witness(spec, make_plan(spec, short=True, supply=True), meter)
        tags = dict.fromkeys(t for s in plan.steps for t in s.covers if t.startswith("second witness "))
        names = [t.split(" ")[-1] for t in tags]
        names = names[: max(1, round(len(names) * sample))]
        found = 0
        for name in names:
            verdict = pretend(word, name, plan, meter)
            named = {c for d in verdict.doubts if "not witnessed" in d.reason for c in d.subject.split(", ")}
            if verdict.outcome == FAIL or named != {name}:
                wrong.append(
                    f"{word} {name}: {verdict.outcome}, named {', '.join(sorted(named)) or 'nothing'}"
                )
            found += named == {name}
        rows.append([word, len(names), found])
    return rows, wrong


def pretend(word: str, circuit: str, plan: Plan, meter: Meter) -> Verdict:
    """A run in which the output of a circuit only says that it delivers."""
    boat = load_boat(word)
    volts = next(iter(boat.spec.boxes.values())).supply_v
    wishes = Wishes(plan=plan, supply=SupplyWish("simulated", Setting(volts, LIMIT_A, meter)))
    fault = Fault("output_pretends", channel_of(word, circuit))
    return run_virtual(boat=boat, faults=(fault,), wishes=wishes).verdict
