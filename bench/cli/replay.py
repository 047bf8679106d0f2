"""`hardstand replay`: does again to a box what was done in a recording."""

from __future__ import annotations

import argparse

from bench.cli.parser import Parser, add_accepted, add_json

DETAILS = """\
Sent are the recording's stimuli (keys, sensors, wake messages, and the supply where the link can switch
it) and the signs of life of panels and screens; nothing else unless asked (--also). The box is brought to
a known start before, and switched off afterwards. LINK is what --on of hardstand run takes.
exit status: as hardstand run
"""


def parser() -> Parser:
    """The command's options."""
    made = Parser(
        "replay",
        "SESSION --on LINK [options]",
        "Sends the stimuli of a recorded session again, each at its own instant, records anew, and judges.",
        DETAILS,
    )
    made.add_argument(
        "session",
        metavar="SESSION",
        nargs="+",
        help="a session's folder; or a candump text file, several of them, or a folder of them",
    )
    made.add_argument("--on", metavar="LINK", required=True, help="twin, slcan:PORT or INTERFACE:CHANNEL")
    made.add_argument(
        "--spec", metavar="SPEC", help="judge by this spec (needed for a bare candump text file)"
    )
    made.add_argument("--from", metavar="TIME", dest="from_", help="play from here on")
    made.add_argument("--to", metavar="TIME", help="play up to here")
    made.add_argument(
        "--speed", metavar="FACTOR", type=factor, default=1.0, help="so many times as fast (default: 1)"
    )
    made.add_argument("--by-step", action="store_true", help="wait for the Enter key before each stimulus")
    made.add_argument("--until-first", action="store_true", help="stop after the first discrepancy")
    made.add_argument(
        "--also",
        metavar="ID",
        action="append",
        default=[],
        help="also send the frames of this identifier (hexadecimal) as recorded; may be given again",
    )
    made.add_argument("--fault", metavar="KIND[:ARG]", help="seed this fault in the virtual box")
    made.add_argument("--seed", metavar="N", type=int, default=1, help="of the virtual box")
    made.add_argument("--tables", metavar="FILE", help="the virtual box of a boat of your own")
    made.add_argument("--bench", metavar="PROFILE", help="what stands on this bench (a file)")
    made.add_argument(
        "--out", metavar="FOLDER", help="the new session's folder (default: sessions/ and the time)"
    )
    made.add_argument("--yes", action="store_true", help="energise without asking")
    add_accepted(made)
    add_json(made)
    return made


def factor(word: str) -> float:
    """0.1 to 10."""
    try:
        value = float(word)
    except ValueError:
        value = 0.0
    if not 0.1 <= value <= 10.0:
        raise argparse.ArgumentTypeError(f"{word} is no factor from 0.1 to 10")
    return value


def run(args: argparse.Namespace) -> int:
    """Plays, records, judges, and gives back the exit status."""
    from bench.cli.replaying import replay_command

    return replay_command(args)
