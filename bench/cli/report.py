"""`hardstand report`: the result files of a recorded session."""

from __future__ import annotations

import argparse

from bench.cli.parser import Parser, add_accepted, add_json


def parser() -> Parser:
    """The command's options."""
    made = Parser(
        "report",
        "SESSION [options]",
        "Judges a recorded session again and writes report.html, junit.xml, verdict.json and the\n"
        "discrepancies as CSV and JSON lines into its folder.",
        "exit status: as hardstand judge",
    )
    made.add_argument("session", metavar="SESSION", help="a session's folder, or a candump text file")
    made.add_argument("--html", metavar="FILE", help="write the page alone, to this file")
    made.add_argument(
        "--spec", metavar="SPEC", help="judge by this spec (needed for a bare candump text file)"
    )
    add_accepted(made)
    add_json(made)
    return made


def run(args: argparse.Namespace) -> int:
    """Writes, says where, and gives back the exit status of the verdict."""
    from bench.cli.judging import report_command

    return report_command(args)
