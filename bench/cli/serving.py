"""The virtual box served on a pseudo-terminal, and the list of faults it can have."""

from __future__ import annotations

import argparse
import sys
from dataclasses import asdict

from bench.cli.output import print_json, print_lines
from bench.cli.virtual import boat_name, make_twin
from bench.report.terminal import width_of
from bench.report.text import table


def serve(args: argparse.Namespace) -> int:
    """`hardstand twin BOAT`. Blocks: until Ctrl-C or SIGTERM."""
    from bench.core.clock import SystemClock
    from bench.lab.serve import serve_on_pty
    from bench.lab.supply_twin import supply_of_twin

    clock = SystemClock()
    twin = make_twin(args.boat, fault=args.fault, seed=args.seed, start_ns=clock.now_ns())
    serve_on_pty(twin, clock, supply=supply_of_twin(twin, clock) if args.supply else None)
    return 0


def list_faults(word: str | None, *, as_json: bool) -> int:
    """`hardstand twin [BOAT] --faults`: all kinds as JSON, or those of one boat (the demo's) for people."""
    from bench.twin import fault_kinds

    kinds = fault_kinds().values()
    if as_json:
        print_json({"status": 0, "faults": [asdict(kind) for kind in kinds]})
        return 0
    boat = boat_name(word or "demo")
    out = width_of(sys.stdout)
    rows = [
        [kind.kind, kind.expected[boat].argument, kind.about, kind.expected[boat].words()]
        for kind in kinds
        if boat in kind.expected
    ]
    print_lines(table(("kind", "argument", "what is wrong", "a run must end in"), rows, out))
    return 0
