"""`hardstand check`: findings about a spec with their places, then what the spec promises."""

from __future__ import annotations

import argparse
import sys

from bench.cli.parser import Parser, add_json, bit_rate


def parser() -> Parser:
    """The command's options."""
    made = Parser(
        "check",
        "SPEC [options]",
        "Says what is wrong with a spec, each finding with file and line, then in plain words what\n"
        "it promises.",
        "exit status: 0 no error (warnings may be), 2 the spec or its definitions are wrong",
    )
    made.add_argument(
        "spec",
        metavar="SPEC",
        nargs="?",
        help="the spec's file, or one of the shipped boats: demo, dunlin, fulmar",
    )
    made.add_argument(
        "--schema", action="store_true", help="print the JSON Schema of specs, for editors, and nothing else"
    )
    made.add_argument(
        "--bitrate", metavar="N", type=bit_rate, default=250_000, help="of the bus in bit/s (250000)"
    )
    add_json(made)
    return made


def run(args: argparse.Namespace) -> int:
    """Prints and gives back the exit status."""
    from bench.cli.output import print_json

    if args.schema:
        from bench.spec import json_schema

        print_json(json_schema())
        return 0
    if args.spec is None:
        parser().error("the following arguments are required: SPEC")
    return _check(args)


def _check(args: argparse.Namespace) -> int:
    from bench.cli.loading import load_for_check
    from bench.cli.output import complaint_document, print_json, print_lines
    from bench.report.terminal import width_of
    from bench.report.text import hanging

    findings, promised = load_for_check(args.spec, args.bitrate)
    errors = sum(finding.severity == "error" for finding in findings)
    status = 2 if errors else 0
    if args.json:
        print_json(
            {
                "status": status,
                "findings": [complaint_document(finding) for finding in findings],
                "promises": promised,
            }
        )
        return status
    print_lines(finding.render() for finding in findings)
    print_lines([f"{_count(errors, 'error')}, {_count(len(findings) - errors, 'warning')}"])
    if promised:
        width = width_of(sys.stdout)
        print_lines(["", "What this spec promises:", ""])
        print_lines(line for promise in promised for line in hanging(promise, width))
    return status


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"
