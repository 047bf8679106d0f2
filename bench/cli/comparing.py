"""From two recordings on a command line to the account of what differs."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from bench.cli.loading import Boat, load_boat, load_boat_file
from bench.cli.output import print_json, warn
from bench.compare import EXIT_STATUS, Comparison, Record, compare_records, observe
from bench.compare.specs import refuse_unlike
from bench.core.errors import Complaint, UsageError
from bench.report.comparison import comparison_document, comparison_html, comparison_text
from bench.report.terminal import wants_colour, width_of
from bench.report.write import write_text
from bench.session import Session, open_session


def compare_command(args: argparse.Namespace) -> int:
    """`hardstand compare`."""
    comparison = compare_paths(args.a, args.b, spec=args.spec, across_specs=args.across_specs)
    if args.html:
        write_text(Path(args.html), comparison_html(comparison))
    if args.json:
        print_json(comparison_document(comparison))
    else:
        out = sys.stdout
        print(comparison_text(comparison, width=width_of(out), colour=wants_colour(out)), end="")
    return EXIT_STATUS[comparison.outcome]


def compare_paths(a: str, b: str, *, spec: str | None = None, across_specs: bool = False) -> Comparison:
    """What differs between two recordings.

    Raises: UsageError for no recording, one without a spec, or unlike specs; SpecError,
    DefinitionError, BenchError.
    """
    sessions = open_session(a), open_session(b)
    boats = _boat_of(sessions[0], spec), _boat_of(sessions[1], spec)
    for boat in boats:
        warn(boat.warnings)
    if not across_specs:
        refuse_unlike(boats[0].spec, boats[1].spec, boats[0].definitions, boats[1].definitions)
    return compare_records(_record(sessions[0], boats[0], a), _record(sessions[1], boats[1], b))


def _record(session: Session, boat: Boat, name: str) -> Record:
    return observe(session, boat.spec, boat.definitions, boat.model, name)


def _boat_of(session: Session, spec: str | None) -> Boat:
    if spec is not None:
        return load_boat(spec)
    own = session.path / "spec.yaml"
    if not session.path.is_dir() or not own.exists():
        what = (
            "this session holds no copy of its spec"
            if session.path.is_dir()
            else "a bare recording has no spec"
        )
        raise UsageError(Complaint(what, path=str(session.path), advice="name one: --spec SPEC"))
    return load_boat_file(own, shipped=False)
