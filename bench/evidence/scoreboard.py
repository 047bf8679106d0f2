"""What plans find of all single edits of a boat's tables, kind by kind."""

from __future__ import annotations

import os

from bench.cli.scoring import sampled
from bench.core.clock import SystemClock
from bench.core.plan import Plan
from bench.evidence.page import Page, Table
from bench.lab.api import boat_tables, load_boat
from bench.lab.score import Edit, Score, score
from bench.lab.walk import make_walk
from bench.plan import make_plan
from bench.plan.once import each_key_once
from bench.twin.edits import double_edits, single_edits

SAMPLED = {"dunlin": 12, "fulmar": 12, "turnstone": 3, "greenshank": 3, "dotterel": 3}  # of each kind
OF_OTHERS = 6  # edits of each kind for the plans compared with
TWO_AT_ONCE = 300
IN_DOUBT = ("lamp_missing",)  # a lamp reported as not available is a doubt by agreement (docs/verdict.md)


def scored(boat: str, plan: Plan | None, most: int | None) -> tuple[Plan, Score, float]:
    """A plan (None: the full one), what it finds, and how many seconds that took."""
    loaded = load_boat(boat)
    plan = plan or make_plan(loaded.spec, supply=True)
    tables = boat_tables(loaded.spec.boat.name)
    pairs = double_edits(tables, TWO_AT_ONCE if most is None else 2 * most)
    edits: list[Edit] = [*sampled(list(single_edits(tables)), most), *pairs]
    clock = SystemClock()
    began_ns = clock.now_ns()
    found = score(loaded, tables, plan, edits, processes=os.cpu_count() or 1)
    return plan, found, (clock.now_ns() - began_ns) / 1e9


def study(sample: float = 1.0) -> Page:
    """All edits of the demo boat, a sample of the others; and what other plans find on the first."""
    rows: list[list[object]] = []
    missed: list[list[object]] = []
    most = max(1, round(12 * sample))
    for boat in ("demo", *(SAMPLED if sample == 1.0 else ())):
        of_each = SAMPLED.get(boat) if sample == 1.0 else most
        plan, found, seconds = scored(boat, None, of_each)
        total = found.total
        worst = min((k for k in found.counts if k not in IN_DOUBT), key=found.share)
        rows.append(
            [
                boat, total.total(), total["found"], total["alike"], total["doubted"],
                total["missed"] + total["broken"], f"{worst} {found.share(worst):.0%}",
                f"{plan.duration_ms / 1e3:.0f} s", f"{seconds:.0f} s",
            ]
        )  # fmt: skip
        missed += [
            [boat, s.fault.kind, s.fault.argument, s.outcome, s.why]
            for s in found.unfound
            if s.outcome != "alike" and s.fault.kind not in IN_DOUBT
        ]
    header = (
        *("boat", "edits", "found", "look alike", "in doubt", "missed"),
        *("worst kind but lamp_missing", "bench time", "took"),
    )
    tables = [Table(header, rows)]
    if missed:
        tables.append(Table(("boat", "kind", "edit", "outcome", "why"), missed))
    tables.append(_others(max(1, round(OF_OTHERS * sample))))
    summary = (
        f"{len(missed)} edits not found of {sum(int(str(r[1])) for r in rows)}, lamps out of reach aside"
    )
    about = (
        "Each single edit of the virtual box's tables (docs/twin.md), run with the plan to its first "
        "discrepancy and judged as a box on the bench would be. Look alike: wires of two loads exchanged "
        "that may draw the same, which the plan names beforehand. In doubt: a lamp reported as not "
        "available. Kind by kind, since many edits are keys exchanged, which any plan finds. "
        "Besides a sample of pairs of edits of two kinds at once, of which one might hide the other. "
    )
    whole = "All edits of the demo boat; of the other boats 12, or 3, of each kind."
    about += whole if sample == 1.0 else f"A sample: {most} edits of each kind of the demo boat."
    return Page(
        "scoreboard", "What a plan finds of every single edit", about, not missed, summary, tuple(tables)
    )


def _others(most: int) -> Table:
    spec = load_boat("demo").spec
    full = make_plan(spec, supply=True)
    walk = make_walk(spec, 1, length_s=full.duration_ms / 1e3)
    rows: list[list[object]] = []
    for name, plan in (("the plan", full), ("each key once", each_key_once(spec)), ("a random walk", walk)):
        _, found, _ = scored("demo", plan, most)
        total = found.total
        by_kind = [found.share(kind) for kind in found.counts if kind not in IN_DOUBT]
        least = [k for k in found.counts if k not in IN_DOUBT and found.share(k) < 0.5]
        rows.append(
            [
                name, f"{plan.duration_ms / 1e3:.0f} s", total.total(), total["found"],
                f"{sum(by_kind) / len(by_kind):.0%}", ", ".join(least) or "-",
            ]
        )  # fmt: skip
    header = ("demo boat", "bench time", "edits", "found", "mean over kinds", "less than half found")
    return Table(header, rows)
