"""`hardstand demo`: what `make demo` runs."""

from __future__ import annotations

import argparse

from bench.cli.parser import Parser, add_json

FAULT_SUBJECT = "bilge_aft"


def parser() -> Parser:
    """The command's options."""
    made = Parser(
        "demo",
        "[options]",
        "Runs the main job on the virtual box of the demo boat: once healthy, once with a seeded fault,\n"
        "and shows where the evidence lies.",
        "exit status: 0 when the healthy run passes and the fault is found, else 3",
    )
    made.add_argument(
        "--out", metavar="FOLDER", default="out/demo", help="where the sessions go (default: %(default)s)"
    )
    made.add_argument(
        "--seed", metavar="N", type=int, default=1, help="fixes noise and jitter of the virtual box"
    )
    add_json(made)
    return made


def run(args: argparse.Namespace) -> int:
    """Runs both and gives back the exit status."""
    from bench.cli.demonstration import demonstrate

    return demonstrate(args)
