"""`hardstand judge`: reaches a verdict from a recording."""

from __future__ import annotations

import argparse

from bench.cli.parser import Parser, add_accepted, add_json, milliseconds

DETAILS = """\
a recording of another logger: stimuli are what panels, screens and sensors say in it. Several files are
read as one, in order of their stamps; where frames may be missing between two, that is a doubt.
TIME: seconds from the recording's start (12.5), or a stamp of the recording (@1700000012.5)
exit status: 0 pass, 1 discrepancy, 2 wrong input, 3 inconclusive; with --at 0
"""


def parser() -> Parser:
    """The command's options."""
    made = Parser(
        "judge",
        "SESSION [options]",
        "Judges a recorded session by its own copies of spec and definitions, or any candump text file\n"
        "by the spec you name. The recording itself is never changed.",
        DETAILS,
    )
    made.add_argument(
        "session",
        metavar="SESSION",
        nargs="+",
        help="a session's folder; or a candump text file, several of them, or a folder of them",
    )
    made.add_argument(
        "--spec",
        metavar="SPEC",
        help="judge by this spec: a file, or demo, dunlin, fulmar (needed for a bare file)",
    )
    made.add_argument(
        "--from", metavar="TIME", dest="from_", help="judge from here on; what lies before tells the state"
    )
    made.add_argument("--to", metavar="TIME", help="judge up to here")
    made.add_argument(
        "--at", metavar="TIME", help="say what was believed of every circuit at this moment, and why"
    )
    made.add_argument(
        "--jitter",
        metavar="MS",
        type=milliseconds,
        help="how late a stamp of another logger may be (default: 20)",
    )
    add_accepted(made)
    made.add_argument("--out", metavar="FOLDER", help="also write report and result files into this folder")
    add_json(made)
    return made


def run(args: argparse.Namespace) -> int:
    """Prints and gives back the exit status."""
    if args.at is not None:
        from bench.cli.moment import at_command

        return at_command(args)
    from bench.cli.judging import judge_command

    return judge_command(args)
