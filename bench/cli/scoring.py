"""`hardstand plan --score`: which edits of a configuration a plan finds, kind by kind."""

from __future__ import annotations

import random

from bench.cli.loading import Boat
from bench.core.plan import Plan
from bench.lab.api import boat_tables
from bench.lab.score import Edit, Score, score
from bench.report.text import hanging, table
from bench.run.api import Boat as RunBoat
from bench.twin import Fault, Tables
from bench.twin.edits import double_edits, single_edits

MOST_SHOWN = 12
PAIRS = 100  # of two edits at once


def score_of(
    boat: Boat, plan: Plan, sample: int | None, processes: int, tables: Tables | None = None
) -> Score:
    """Runs the edits of these tables, or of the virtual box of the boat's name. Raises: UsageError when
    there is none."""
    tables = tables or boat_tables(boat.spec.boat.name)
    edits: list[Edit] = [
        *sampled(list(single_edits(tables)), sample),
        *double_edits(tables, PAIRS if sample is None else min(sample, PAIRS)),
    ]
    return score(RunBoat(boat.spec, boat.definitions), tables, plan, edits, processes=processes)


def sampled(edits: list[Fault], most: int | None) -> list[Fault]:
    """At most so many of each kind, the same ones each time."""
    if most is None:
        return edits
    by_kind: dict[str, list[Fault]] = {}
    for edit in edits:
        by_kind.setdefault(edit.kind, []).append(edit)
    chance = random.Random("edits")
    return [
        e for found in by_kind.values() for e in (found if len(found) <= most else chance.sample(found, most))
    ]


def score_lines(found: Score, width: int) -> list[str]:
    """For people: the worst kind first, then all kinds, then what was not found."""
    total = found.total
    rows = [
        [
            kind,
            str(c.total()),
            str(c["found"]),
            str(c["alike"]),
            str(c["doubted"]),
            str(c["missed"]),
            str(c["broken"]),
        ]
        for kind, c in sorted(found.counts.items(), key=lambda item: found.share(item[0]))
    ]
    header = ("kind of edit", "edits", "found", "look alike", "in doubt", "missed", "broken")
    lines = [
        f"worst kind: {found.worst}, {found.share(found.worst):.0%} found; of all {total.total()} edits "
        f"{total['found']} found, {total['alike']} that no report can show, {total['doubted']} in doubt, "
        f"{total['missed']} missed",
        "",
        *table(header, rows, width),
    ]
    open_ = [s for s in found.unfound if s.outcome in ("missed", "broken")]
    if open_:
        lines += ["", "missed:"]
        for one in open_[:MOST_SHOWN]:
            lines += hanging(f"{one.fault.kind} {one.fault.argument} {one.why}".rstrip(), width)
        if len(open_) > MOST_SHOWN:
            lines.append(f"  ... and {len(open_) - MOST_SHOWN} more (--json lists all)")
    return lines
