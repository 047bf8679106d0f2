"""The virtual box served on a pseudo-terminal, and the list of faults it can have."""

from __future__ import annotations

import argparse
from dataclasses import asdict

from bench.cli.boats import BOATS
from bench.cli.output import print_json, print_lines
from bench.cli.parser import nearest
from bench.core.errors import Complaint, UsageError


def boat_of(word: str) -> str:
    """The virtual box's own name of a shipped boat.

    Raises: UsageError with the nearest right word.
    """
    if word in BOATS:
        return BOATS[word]
    right = nearest(word, BOATS)
    advice = f"did you mean {right}?" if right else ""
    raise UsageError(
        Complaint(f"there is no virtual box for {word}", expected=" | ".join(BOATS), advice=advice)
    )


def serve(args: argparse.Namespace) -> int:
    """`hardstand twin BOAT`. Blocks: until Ctrl-C or SIGTERM."""
    from bench.core.clock import SystemClock
    from bench.lab.serve import serve_on_pty

    clock = SystemClock()
    serve_on_pty(make_twin(args.boat, fault=args.fault, seed=args.seed, start_ns=clock.now_ns()), clock)
    return 0


def list_faults(*, as_json: bool) -> int:
    """`hardstand twin --faults`."""
    from bench.report.text import table
    from bench.twin import fault_kinds

    kinds = fault_kinds()
    if as_json:
        print_json({"status": 0, "faults": [asdict(kind) for kind in kinds]})
        return 0
    rows = [[kind.kind, kind.about, kind.expected] for kind in kinds]
    print_lines(table(("kind", "what is wrong", "expected verdict"), rows, 110))
    return 0
