"""`hardstand links`: what there is to reach a bus with."""

from __future__ import annotations

import argparse

from bench.cli.parser import Parser, add_json


def parser() -> Parser:
    """The command's options."""
    made = Parser(
        "links",
        "[options]",
        "Lists the serial ports, the CAN interfaces of the system and the adapters that python-can\n"
        "finds, each by the name that run --on and probe take. Opens none of them.",
        "exit status: 0, also when there is none",
    )
    add_json(made)
    return made


def run(args: argparse.Namespace) -> int:
    """Prints and gives back the exit status."""
    from bench.cli.output import print_json, print_lines
    from bench.link.found import found_links
    from bench.report.text import table

    found = found_links()
    if args.json:
        print_json({"status": 0, "links": [{"link": f.link, "about": f.about} for f in found]})
    elif not found:
        print_lines(["no serial port, CAN interface or adapter was found: plug one in, install its driver"])
    else:
        print_lines(table(("link", "what it is"), [[f.link, f.about] for f in found], 100))
    return 0
