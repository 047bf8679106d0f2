"""`hardstand judge`: reaches a verdict from a recording."""

from __future__ import annotations

import argparse

from bench.cli.parser import Parser, add_json


def parser() -> Parser:
    """The command's options."""
    made = Parser(
        "judge",
        "SESSION [options]",
        "Judges a recorded session by its own copies of spec and definitions, or any candump text file\n"
        "by the spec you name. The recording itself is never changed.",
        "exit status: 0 pass, 1 discrepancy, 2 wrong input, 3 inconclusive",
    )
    made.add_argument("session", metavar="SESSION", help="a session's folder, or a candump text file")
    made.add_argument(
        "--spec",
        metavar="SPEC",
        help="judge by this spec: a file, or demo, dunlin, fulmar (needed for a bare file)",
    )
    made.add_argument("--out", metavar="FOLDER", help="also write report and result files into this folder")
    add_json(made)
    return made


def run(args: argparse.Namespace) -> int:
    """Prints and gives back the exit status."""
    from bench.cli.judging import judge_command

    return judge_command(args)
