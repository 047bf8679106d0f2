"""`hardstand plan --score`: which edits of a configuration a plan finds, kind by kind."""

from __future__ import annotations

from bench.cli.loading import Boat
from bench.core.plan import Plan
from bench.lab.api import boat_tables
from bench.lab.board import every_edit
from bench.lab.score import Score, score
from bench.report.text import hanging, table
from bench.run.api import Boat as RunBoat
from bench.twin import Tables

MOST_SHOWN = 12


def score_of(
    boat: Boat, plan: Plan, sample: int | None, processes: int, tables: Tables | None = None
) -> Score:
    """Runs the edits of these tables, or of the virtual box of the boat's name. Raises: UsageError when
    there is none."""
    tables = tables or boat_tables(boat.spec.boat.name)
    edits = every_edit(tables, sample)
    return score(RunBoat(boat.spec, boat.definitions), tables, plan, edits, processes=processes)


def score_lines(found: Score, width: int) -> list[str]:
    """For people: the worst kind first, then all kinds, then what was not found."""
    total = found.total
    rows = [
        [
            kind,
            str(c.total()),
            str(c["found"]),
            str(c["equal"]),
            str(c["alike"]),
            str(c["doubted"]),
            str(c["left out"]),
            str(c["missed"]),
            str(c["broken"]),
        ]
        for kind, c in sorted(found.counts.items(), key=lambda item: found.share(item[0]))
    ]
    header = ("kind", "edits", "found", "equal", "look alike", "in doubt", "left out", "missed", "broken")
    lines = [
        f"worst kind: {found.worst}, {found.share(found.worst):.0%} found; of all {total.total()} edits "
        f"{total['found']} found, {total['equal']} equal to the box as it should be, {total['alike']} that "
        f"no report can show, {total['doubted']} in doubt, {total['left out']} that the plan leaves out, "
        f"{total['missed']} missed",
        "",
        *table(header, rows, width),
    ]
    told = "missed, and what would tell, where known:"
    lines += _listed(told, found, ("missed", "broken"), width)
    told = "left out, as the plan says, and what would tell:"
    lines += _listed(told, found, ("left out",), width)
    lines += _listed("equal, and how that is known:", found, ("equal",), width)
    return lines


def _listed(title: str, found: Score, outcomes: tuple[str, ...], width: int) -> list[str]:
    of_these = [s for s in found.unfound if s.outcome in outcomes]
    if not of_these:
        return []
    lines = ["", title]
    for one in of_these[:MOST_SHOWN]:
        lines += hanging(f"{one.fault.kind} {one.fault.argument}: {one.why}".rstrip(": "), width)
    if len(of_these) > MOST_SHOWN:
        lines.append(f"  ... and {len(of_these) - MOST_SHOWN} more (--json lists all)")
    return lines
