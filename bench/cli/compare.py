"""`hardstand compare`: what differs between two recorded sessions."""

from __future__ import annotations

import argparse

from bench.cli.parser import Parser, add_json

DETAILS = """\
Stimuli are matched by what was done, not by time. What was shown (states, levels, lamps, order) is compared
as seen; what was measured (delays, currents, dimming speeds) is tested, and a shift below the resolution of
link, box or sensor is no difference. The verdict on either session is not asked: see hardstand judge.

exit status: 0 same, 1 different, 2 wrong input, 3 cannot tell
"""


def parser() -> Parser:
    """The command's options."""
    made = Parser(
        "compare",
        "A B [options]",
        "Compares two recorded sessions of the same spec: before and after a change of firmware, two boxes,\n"
        "bench and boat.",
        DETAILS,
    )
    made.add_argument("a", metavar="A", help="the first session: its folder, or a candump text file")
    made.add_argument("b", metavar="B", help="the second session")
    made.add_argument(
        "--spec",
        metavar="SPEC",
        help="read both by this spec: a file, or demo, dunlin, fulmar (needed for bare files)",
    )
    made.add_argument(
        "--across-specs",
        action="store_true",
        help="compare sessions of different specs too, in the circuits and controls that both name",
    )
    made.add_argument("--html", metavar="FILE", help="also write the account as one page")
    add_json(made)
    return made


def run(args: argparse.Namespace) -> int:
    """Compares, tells and gives back the exit status."""
    from bench.cli.comparing import compare_command

    return compare_command(args)
