"""`hardstand judge --at TIME`: what was believed of every circuit at that moment, and why."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from bench.assess import Part, Recording
from bench.assess.belief import Belief, Report, beliefs
from bench.assess.offline import assessor_of, tell
from bench.cli.judging import boat_of, start_ns_of
from bench.cli.output import print_json, print_lines, warn
from bench.cli.recordings import instant, open_recording
from bench.core.errors import Complaint, UsageError
from bench.report.terminal import width_of
from bench.report.text import hanging

FAULTS = ("none", "tripped", "open load", "by hand", "overcurrent", "overheat")
NS = 1e9


def at_command(args: argparse.Namespace) -> int:
    """Prints and gives back the exit status: 0, however little was known."""
    for option, value in (("--from", args.from_), ("--to", args.to), ("--out", args.out)):
        if value:
            raise UsageError(Complaint(f"--at and {option} do not go together"))
    session: Recording = open_recording(args.session)
    boat = boat_of(session, args.spec)
    warn(boat.warnings)
    start_ns = start_ns_of(session)
    t_ns = instant(args.at, start_ns, "--at")
    if t_ns < start_ns:
        raise UsageError(Complaint(f"--at {args.at} lies before the recording's start"))
    boat.definitions.forget()
    assessor = assessor_of(session, boat.spec, boat.definitions, boat.model, jitter_ms=args.jitter)
    tell(session, assessor, boat.definitions, jitter_ms=args.jitter, part=Part(to_ns=t_ns))
    found = beliefs(assessor)
    if args.json:
        circuits = {b.circuit: _one(b) for b in found}
        print_json(
            {"hardstand_beliefs": 1, "t_ns": assessor.t_ns, "start_ns": start_ns, "circuits": circuits}
        )
        return 0
    moment = f"at {(assessor.t_ns - start_ns) / NS:.3f} s"
    if assessor.stopped_ns is None:
        moment += ", where the recording ends"
    lines = [f"{boat.spec.boat.name}, what was believed {moment}:"]
    for belief in found:
        lines += _lines(belief, start_ns, assessor.t_ns, width_of(sys.stdout))
    print_lines(lines)
    return 0


def _lines(belief: Belief, start_ns: int, t_ns: int, width: int) -> list[str]:
    what = " or ".join(belief.expected) or "nothing is expected"
    lines = ["", f"{belief.circuit}: {what}{'' if belief.known else ' (not known)'}"]
    rows = [("why", belief.why)]
    rows += [("reported", _report(r)) for r in belief.reports]
    if not belief.reports:
        rows.append(("reported", "nothing yet"))
    rows += [
        ("owed", f"{o.signal} {o.expected}, by {(o.until_ns - start_ns) / NS:.3f} s at the latest")
        for o in belief.owed
    ]
    rows.append(("reached by", _reached(belief, start_ns, t_ns)))
    rows += [("held", key) for key in belief.held]
    rows += [("hidden", f"{name} {_range(name, span, start_ns)}") for name, span in belief.hidden.items()]
    if belief.together:
        rows.append(("with", ", ".join(belief.together)))
    for label, text in rows:
        lines += hanging(f"{label + ':':<12}{text}", width)
    return lines


def _report(report: Report) -> str:
    kind = report.signal.partition(":")[0]
    return f"{kind} {_value(kind, report)}, {report.age_ns / 1e6:.0f} ms old"


def _value(kind: str, report: Report) -> str:
    value = report.value
    if value is None:
        return report.reason or "not available"
    if kind == "state":
        return "on" if value > 0 else "off"
    if kind == "fault":
        return FAULTS[int(value)] if 0 <= value < len(FAULTS) else f"{value:g}"
    return f"{value:.4g} {'A' if kind == 'current' else '%'}"


def _reached(belief: Belief, start_ns: int, t_ns: int) -> str:
    last = belief.reached
    if last is None:
        return "nothing yet"
    ago_s = (t_ns - last.t_ns) / NS
    return f"{last.words()}, at {(last.t_ns - start_ns) / NS:.3f} s, {ago_s:.3f} s before"


def _range(name: str, span: tuple[float, float], start_ns: int) -> str:
    kind = name.partition(" ")[0]
    lo, hi = span
    if kind == "timer":
        return f"ends from {(lo - start_ns) / NS:.3f} to {(hi - start_ns) / NS:.3f} s"
    if kind in ("position", "memory"):
        unit = " %" if kind == "memory" else ""
        return f"{lo:.4g}{unit}" if lo == hi else f"{lo:.4g} to {hi:.4g}{unit}, not known"
    words = {-1.0: "down", 1.0: "up"} if kind == "direction" else {0.0: "no", 1.0: "yes"}
    return words.get(lo, f"{lo:g}") if lo == hi else "not known"


def _one(belief: Belief) -> dict[str, Any]:
    last = belief.reached
    return {
        "expected": list(belief.expected),
        "known": belief.known,
        "why": belief.why,
        "possibilities": belief.possibilities,
        "reported": [
            {"signal": r.signal, "value": r.value, "age_ns": r.age_ns, "reason": r.reason}
            for r in belief.reports
        ],
        "owed": [{"signal": o.signal, "expected": o.expected, "until_ns": o.until_ns} for o in belief.owed],
        "reached_by": None if last is None else {"what": last.words(), "t_ns": last.t_ns},
        "held": list(belief.held),
        "hidden": {name: list(span) for name, span in belief.hidden.items()},
        "together": list(belief.together),
    }
