"""`hardstand convert`: a recording in another format."""

from __future__ import annotations

import argparse

from bench.cli.parser import Parser, add_json


def parser() -> Parser:
    """The command's options."""
    made = Parser(
        "convert",
        "IN OUT [options]",
        "Writes a recording in another format. Formats are told by suffix: candump text .log (also\n"
        ".log.gz), Parquet .parquet, ASAM MDF 4 bus logging .mf4. IN may also be a session's folder,\n"
        "candump text in any layout, packed by gzip or zstd, or what python-can reads (.asc .blf .csv\n"
        ".db .trc). OUT must not exist. What could not be carried over is said.",
        "exit status: 0 all of it was carried over, 2 wrong input, 3 not all of it, or the disk failed",
    )
    made.add_argument("source", metavar="IN", help="a session's folder, or a recording")
    made.add_argument("target", metavar="OUT", help="the new file; its suffix tells the format")
    add_json(made)
    return made


def run(args: argparse.Namespace) -> int:
    """Converts, says what was carried over, and gives back the exit status."""
    from pathlib import Path

    from bench.cli.output import print_json, print_lines, warn
    from bench.core.errors import Complaint
    from bench.session.convert import convert

    done = convert(Path(args.source), Path(args.target))
    status = 3 if done.left_out else 0
    if args.json:
        document = {"status": status, "frames": done.frames, "unreadable_lines": done.lost_lines}
        print_json({**document, "left_out": list(done.left_out), "written": args.target})
        return status
    print_lines([f"{done.frames} frames, {done.lost_lines} unreadable lines: {args.target}"])
    warn(Complaint(text, args.source, severity="warning") for text in done.left_out)
    return status
