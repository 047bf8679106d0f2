"""The virtual box served on a pseudo-terminal, and the list of faults it can have."""

from __future__ import annotations

import argparse
from dataclasses import asdict

from bench.cli.output import print_json, print_lines
from bench.cli.virtual import make_twin


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
