"""`hardstand plan`: what a run would do, before anything moves."""

from __future__ import annotations

import argparse

from bench.cli.parser import Parser, add_json, add_spec


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
    add_json(made)
    return made


def run(args: argparse.Namespace) -> int:
    """Prints and gives back the exit status."""
    from dataclasses import asdict

    from bench.cli.loading import load_boat, plan_for
    from bench.cli.output import print_json, print_lines

    boat = load_boat(args.spec)
    plan = plan_for(boat.spec, short=args.short)
    if args.json:
        print_json({"status": 0, **asdict(plan)})
        return 0
    print_lines(plan_lines(plan))
    return 0


def plan_lines(plan) -> list[str]:  # type: ignore[no-untyped-def]
    """A plan for people."""
    return []
