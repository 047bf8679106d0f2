"""`hardstand probe LINK`: what is alive on a bus, without a spec."""

from __future__ import annotations

import argparse

from bench.cli.parser import Parser, add_json


def parser() -> Parser:
    """The command's options."""
    made = Parser(
        "probe",
        "LINK [options]",
        "Listens on a link and says what is alive: identifiers, rates, distances, load, losses and\n"
        "errors. Sends no frame. LINK as run --on takes it: slcan:PORT, socketcan:can0 ...",
        "exit status: 0 the link held, 3 it could not be opened, failed, or lost something",
    )
    made.add_argument("link", metavar="LINK", help="slcan:PORT[@BITRATE] or INTERFACE:CHANNEL[@BITRATE]")
    made.add_argument(
        "--for", dest="for_s", metavar="S", type=_seconds, default=3.0, help="listen so long (3)"
    )
    add_json(made)
    return made


def _seconds(word: str) -> float:
    try:
        value = float(word)
    except ValueError:
        value = -1.0
    if not 0.1 <= value <= 3600:
        raise argparse.ArgumentTypeError(f"{word} is no number of seconds from 0.1 to 3600")
    return value


def run(args: argparse.Namespace) -> int:
    """Listens, prints and gives back the exit status."""
    from bench.cli.probing import probe

    return probe(args)
