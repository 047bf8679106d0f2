"""`hardstand plan`: what a run would do, before anything moves."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from bench.cli.parser import Parser, add_json, add_spec

if TYPE_CHECKING:
    from bench.core.plan import Plan, Step


def parser() -> Parser:
    """The command's options."""
    made = Parser(
        "plan",
        "SPEC [options]",
        "Shows what a run would do: how long it takes, its steps, what they cover and what is left out.",
        "exit status: 0, or 2 when the spec or its definitions are wrong",
    )
    add_spec(made)
    made.add_argument(
        "--short", action="store_true", help="the short plan of at most 20 s that CI runs in real time"
    )
    made.add_argument(
        "--on",
        metavar="WHERE",
        default="twin",
        help="where the box is, as in hardstand run: only twin can switch the supply (default: %(default)s)",
    )
    add_json(made)
    return made


def run(args: argparse.Namespace) -> int:
    """Prints and gives back the exit status."""
    from dataclasses import asdict

    from bench.cli.loading import faults_of_spec, load_boat, plan_for
    from bench.cli.output import print_json, print_lines, warn

    if args.on != "twin":
        from bench.core.clock import SystemClock
        from bench.link.open import link_from_text

        link_from_text(args.on, SystemClock())  # only to hear of a wrong name
    boat = load_boat(args.spec)
    warn(faults_of_spec(boat))
    plan = plan_for(boat.spec, short=args.short, supply=args.on == "twin")
    if args.json:
        print_json({"status": 0, **asdict(plan)})
        return 0
    print_lines(plan_lines(plan))
    return 0


def plan_lines(plan: Plan) -> list[str]:
    """A plan for people: how long, what is done when, what it earns, what it leaves out."""
    from bench.report.terminal import width_of
    from bench.report.text import hanging, table

    width = width_of(sys.stdout)

    rows = [[f"{step.at_ms / 1e3:.2f} s", _doing(step), step.about] for step in plan.steps]
    lines = [
        f"{plan.title}: {len(plan.steps)} steps, {plan.duration_ms / 1e3:.0f} s on the bench, "
        f"start: {plan.start}",
        "",
        *table(("at", "done", "why"), rows, width),
        "",
        "covers:",
        *(line for item in plan.covered for line in hanging(item, width)),
    ]
    if plan.not_tested:
        left = [f"{subject}: {why}" for subject, why in plan.not_tested.items()]
        lines += ["", "not tested:", *(line for item in left for line in hanging(item, width))]
    return lines


def _doing(step: Step) -> str:
    if step.kind in ("sensor", "supply"):
        return f"{step.kind} {step.name} {'on' if step.value else 'off'}"
    return f"{step.kind} {step.name}".rstrip()
