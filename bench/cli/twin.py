"""`hardstand twin`: the virtual box as a process of its own, behind a pseudo-terminal."""

from __future__ import annotations

import argparse

from bench.cli.parser import Parser, add_json


def parser() -> Parser:
    """The command's options."""
    made = Parser(
        "twin",
        "BOAT [options]",
        "Serves the virtual box of a boat on a pseudo-terminal that speaks the serial-line CAN\n"
        "protocol, in real time, until interrupted. Its first line of output is the port's path:\n"
        "name it to hardstand run --on slcan:PORT. Circuits are worked by hand as lines are typed:\n"
        "by hand BOX CHANNEL, and back BOX CHANNEL.",
        "exit status: 0 ended by Ctrl-C, 2 wrong command line, 3 the port could not be made",
    )
    made.add_argument(
        "boat",
        metavar="BOAT",
        nargs="?",
        help="demo, dunlin or fulmar, or the file of a virtual box's tables",
    )
    made.add_argument("--fault", metavar="KIND[:ARG]", help="seed this fault")
    made.add_argument("--seed", metavar="N", type=int, default=1, help="fixes noise and jitter")
    made.add_argument(
        "--supply",
        action="store_true",
        help="its boxes hang on a simulated bench supply, off at first, whose port is the second line",
    )
    made.add_argument(
        "--faults",
        action="store_true",
        help="list the faults of BOAT: kind, argument, what is wrong, expected verdict",
    )
    add_json(made)
    return made


def run(args: argparse.Namespace) -> int:
    """Serves until interrupted, or lists the faults."""
    if args.boat is None and not args.faults:
        parser().error("the following arguments are required: BOAT")
    from bench.cli.serving import list_faults, serve

    return list_faults(args.boat, as_json=args.json) if args.faults else serve(args)
