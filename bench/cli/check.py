"""`hardstand check`: findings about a spec with their places, then what the spec promises."""

from __future__ import annotations

import argparse

from bench.cli.parser import Parser, add_json


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

    findings, promised = load_for_check(args.spec)
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
    warnings = len(findings) - errors
    print_lines(
        [f"{errors} errors, {warnings} warnings", ""]
        if promised
        else [f"{errors} errors, {warnings} warnings"]
    )
    if promised:
        print_lines(["What this spec promises:", "", *(f"  {promise}" for promise in promised)])
    return status
