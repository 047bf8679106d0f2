"""A run from the words of a command line: what `run`, `demo`, the pytest plugin and the studies share."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from bench.cli.energise import confirm
from bench.cli.judging import material_of, tell
from bench.cli.loading import Boat, load_boat
from bench.cli.output import warn
from bench.cli.require import parse_require, with_requirement
from bench.core.clock import utc_text
from bench.core.errors import Complaint, UsageError
from bench.report import Material, write_results
from bench.report.progress import Progress
from bench.report.terminal import width_of
from bench.run.result import RunResult
from bench.session import open_session

Tell = Callable[[float, float, str], None]


@dataclass(frozen=True, slots=True)
class Wish:
    """What was asked for; see `hardstand run --help`. `out`: the session's folder, new or empty."""

    spec: str
    on: str
    out: Path
    fault: str | None = None
    seed: int = 1
    short: bool = False
    bench: str | None = None
    until_first: bool = False
    require: str | None = None


def run_command(args: argparse.Namespace) -> int:
    """`hardstand run`."""
    out = Path(args.out) if args.out else Path("sessions") / utc_text().replace(":", "")
    wish = Wish(
        args.spec, args.on, out, args.fault, args.seed, args.short, args.bench, args.until_first, args.require
    )
    boat = load_boat(wish.spec)
    warn(boat.warnings)
    check_wish(wish, boat)
    if wish.on != "twin":
        confirm(boat.spec, yes=args.yes, ask=sys.stderr, answer=sys.stdin, width=width_of(sys.stderr))
    progress = Progress(sys.stderr, width=width_of(sys.stderr))
    try:
        result, material = run_boat(wish, boat, tell_progress=progress.update)
    finally:
        progress.close()
    for warning in result.warnings:
        print(f"hardstand: warning: {warning}", file=sys.stderr)
    tell(material, as_json=args.json, where=str(out))
    return replace(result, verdict=material.verdict).exit_status


def run_and_judge(wish: Wish, *, write: bool = True) -> Material:
    """Runs without a word on the terminal. `write`: also the result files.

    Raises: HardstandError when spec, definitions or bench are wrong.
    """
    boat = load_boat(wish.spec)
    check_wish(wish, boat)
    return run_boat(wish, boat, write=write)[1]


def check_wish(wish: Wish, boat: Boat) -> None:
    """Raises: UsageError for what does not go together, before anything is energised."""
    if wish.on != "twin" and wish.fault is not None:
        raise UsageError(Complaint("--fault is for the virtual box", advice="a fault cannot be seeded in a real one"))
    if wish.on != "twin" and ":" not in wish.on:
        text = f"--on {wish.on} names no box"
        raise UsageError(Complaint(text, expected="twin, slcan:PORT or INTERFACE:CHANNEL"))
    if wish.require is not None:
        parse_require(wish.require, boat.spec.circuits, boat.spec.controls)
