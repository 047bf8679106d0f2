"""The virtual box served on a pseudo-terminal, and the list of faults it can have."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Callable
from dataclasses import asdict

from bench.cli.output import print_json, print_lines
from bench.cli.virtual import boat_name, make_twin
from bench.core.clock import Clock
from bench.core.errors import UsageError
from bench.report.terminal import width_of
from bench.report.text import printable, table
from bench.rig.typed import Typed
from bench.twin import Twin


def serve(args: argparse.Namespace) -> int:
    """`hardstand twin BOAT`. Blocks: until Ctrl-C or SIGTERM."""
    from bench.core.clock import SystemClock
    from bench.lab.serve import serve_on_pty
    from bench.lab.supply_twin import supply_of_twin

    clock = SystemClock()
    twin = make_twin(args.boat, fault=args.fault, seed=args.seed, start_ns=clock.now_ns())
    supply = supply_of_twin(twin, clock) if args.supply else None
    serve_on_pty(twin, clock, supply=supply, beside=_by_hand(twin, clock))
    return 0


def _by_hand(twin: Twin, clock: Clock) -> Callable[[], None]:
    """Works circuits by hand as lines are typed: `by hand main 9`, `back main 9`."""
    if sys.stdin is None or sys.stdin.closed:
        return lambda: None
    typed = Typed(sys.stdin.fileno())

    def turn() -> None:
        for line in typed.lines():
            if line.strip():
                print(work_by_hand(twin, line, clock.now_ns()), file=sys.stderr, flush=True)

    return turn


def work_by_hand(twin: Twin, line: str, t_ns: int) -> str:
    """Does what a line says; what came of it, in words."""
    match = re.fullmatch(r"(by hand|back) (\S+) ([0-9]{1,3})", line.strip())
    if match is None:
        return f"not understood: {printable(line[:40])!r}; type by hand BOX CHANNEL, or back BOX CHANNEL"
    word, box, channel = match.groups()
    try:
        twin.by_hand(t_ns, box, int(channel), word == "by hand")
    except UsageError as e:
        return str(e)
    return f"box {box}, channel {channel}: {'by hand' if word == 'by hand' else 'back from by hand'}"


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
