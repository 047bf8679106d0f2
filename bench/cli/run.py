"""`hardstand run`: works a box, real or virtual, through its plan and judges what it did."""

from __future__ import annotations

import argparse

from bench.cli.attended import add_answering, add_person
from bench.cli.parser import Parser, add_accepted, add_choice, add_json, add_spec

DETAILS = """\
where a box is:
  twin               the virtual box in this process, in virtual time: seconds for minutes
  slcan:PORT         a serial-line CAN adapter, e.g. slcan:/dev/ttyACM0
  INTERFACE:CHANNEL  any interface of python-can, e.g. socketcan:can0

A real box is energised: loads move, sound and heat. The run lists them and asks first.
On the virtual box a simulated person answers what a person is asked.
exit status: 0 pass, 1 discrepancy, 2 wrong input, 3 inconclusive or the bench failed, 130/143 interrupted
"""


def parser() -> Parser:
    """The command's options."""
    made = Parser(
        "run",
        "SPEC --on WHERE [options]",
        "Works every function through its positions, watches every output, and judges.",
        DETAILS,
    )
    add_spec(made)
    made.add_argument("--on", metavar="WHERE", required=True, help="twin, slcan:PORT or INTERFACE:CHANNEL")
    made.add_argument(
        "--fault",
        metavar="KIND[:ARG]",
        help="seed this fault in the virtual box (see: hardstand twin --faults)",
    )
    made.add_argument(
        "--seed", metavar="N", type=int, default=1, help="fixes noise and jitter of the virtual box"
    )
    made.add_argument(
        "--tables",
        metavar="FILE",
        help="the virtual box of a boat of your own: its tables (default: those shipped for the boat's name)",
    )
    made.add_argument("--short", action="store_true", help="the short plan of at most 20 s")
    add_choice(made)
    made.add_argument(
        "--bench", metavar="PROFILE", help="what stands on this bench: adapter, supply, real loads (a file)"
    )
    made.add_argument(
        "--supply",
        metavar="PORT",
        help="switch and watch the boxes' supply over this serial port (with --bench)",
    )
    made.add_argument(
        "--out", metavar="FOLDER", help="the session's folder, new or empty (default: sessions/ and the time)"
    )
    made.add_argument(
        "--plan", metavar="FILE", help="a plan that hardstand plan --out has written, instead of a new one"
    )
    add_person(made)
    add_answering(made)
    made.add_argument("--yes", action="store_true", help="energise without asking")
    made.add_argument("--until-first", action="store_true", help="stop after the first discrepancy")
    made.add_argument(
        "--require",
        metavar="COVERAGE",
        help="inconclusive unless at least this share of the circuits was tested, e.g. 95%%",
    )
    add_accepted(made)
    add_json(made)
    return made


def run(args: argparse.Namespace) -> int:
    """Runs, judges, writes the results and gives back the exit status."""
    from bench.cli.running import run_command

    return run_command(args)
