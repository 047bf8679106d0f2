"""From the words of `hardstand replay` to a run whose plan is what was recorded."""

from __future__ import annotations

import argparse
import queue
import re
import sys
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from bench.assess import Recording
from bench.cli.energise import confirm
from bench.cli.judging import boat_of, start_ns_of, tell
from bench.cli.output import warn
from bench.cli.recordings import open_recording, part_of
from bench.cli.running import Wish, check_wish, run_boat
from bench.core.clock import SystemClock, utc_text
from bench.core.errors import Complaint, UsageError
from bench.core.plan import Step
from bench.link.open import link_from_text
from bench.report import write_results
from bench.report.progress import Progress
from bench.report.terminal import width_of
from bench.run.api import Boat as RunBoat
from bench.run.api import before_the_run
from bench.run.replay import Again, measure_lag, play_again
from bench.session import open_session


def replay_command(args: argparse.Namespace) -> int:
    """`hardstand replay`."""
    session: Recording = open_recording(args.session)
    boat = boat_of(session, args.spec)
    warn(boat.warnings)
    out = Path(args.out) if args.out else Path("sessions") / utc_text().replace(":", "")
    link = None if args.on == "twin" else _link_named(args.on)
    switches = link is None or link.facts.switches_supply
    part = part_of(args.from_, args.to, start_ns_of(session))
    again = play_again(
        session.entries(), boat.definitions, title=session.path.name, speed=args.speed, supply=switches,
        also=_identifiers(args.also), part=(part.from_ns, part.to_ns),
    )  # fmt: skip
    wish = Wish(
        str(boat.path), args.on, out, fault=args.fault, seed=args.seed, bench=args.bench,
        until_first=args.until_first, tables=args.tables, accepted=args.accepted, plan=again.plan,
        gate=_gate(is_virtual=link is None) if args.by_step else None, facts=_facts(session, args),
    )  # fmt: skip
    check_wish(wish, boat)
    _say_left_out(again)
    if link is not None:
        spoken = RunBoat(boat.spec, boat.definitions)
        warn(before_the_run(spoken, guard=True, switches_supply=switches))
        confirm(boat.spec, yes=args.yes, ask=sys.stderr, answer=sys.stdin, width=width_of(sys.stderr))
    progress = Progress(sys.stderr, width=width_of(sys.stderr))
    try:
        result, material = run_boat(wish, boat, tell_progress=progress.update, write=False)
    finally:
        progress.close()
    for warning in result.warnings:
        print(f"hardstand: warning: {warning}", file=sys.stderr)
    lag = measure_lag(open_session(out).entries(), again.plan, boat.definitions)
    said = lag.words(timed=not args.by_step)
    material = replace(material, facts={**material.facts, "replayed": said})
    write_results(out, material)
    print(f"hardstand: replayed {said}", file=sys.stderr)
    tell(material, as_json=args.json, where=str(out))
    return replace(result, verdict=material.verdict).exit_status


def _link_named(word: str):  # type: ignore[no-untyped-def]  # noqa: ANN202
    """Only to hear of a wrong name, and what it can do, before anything is asked."""
    if ":" not in word:
        text = f"--on {word} names no box"
        raise UsageError(Complaint(text, expected="twin, slcan:PORT or INTERFACE:CHANNEL"))
    return link_from_text(word, SystemClock())


def _identifiers(words: list[str]) -> frozenset[int]:
    for word in words:
        if not re.fullmatch(r"[0-9A-Fa-f]{1,8}", word) or int(word, 16) >= 1 << 29:
            raise UsageError(
                Complaint(f"--also {word} is no identifier", expected="up to 8 hexadecimal digits")
            )
    return frozenset(int(word, 16) for word in words)


def _facts(session: Recording, args: argparse.Namespace) -> dict[str, object]:
    facts: dict[str, object] = {"replay_of": session.path.name, "speed": args.speed}
    if args.from_ or args.to:
        facts["part"] = f"{args.from_ or 'start'} to {args.to or 'end'}"
    if args.also:
        facts["also_sent"] = " ".join(sorted(args.also))
    return facts


def _say_left_out(again: Again) -> None:
    warn(
        [Complaint(f"{name} is left out: {why}", severity="warning") for name, why in again.left_out.items()]
    )


def _gate(*, is_virtual: bool) -> Callable[[Step], bool]:
    """Whether a stimulus may be sent: once the Enter key was pressed for it. The virtual box has no time
    of its own and waits; a real one is kept alive meanwhile."""
    lines: queue.SimpleQueue[str] = queue.SimpleQueue()
    asked: list[Step] = []

    def read() -> None:
        for line in sys.stdin:
            lines.put(line)
        lines.put("")  # nobody is there any more: go on

    if not is_virtual:
        threading.Thread(target=read, daemon=True, name="enter key").start()

    def may(step: Step) -> bool:
        if not asked or asked[-1] is not step:
            asked.append(step)
            print(f"hardstand: next: {step.kind} {step.name} (Enter)", file=sys.stderr, flush=True)
        if is_virtual:
            sys.stdin.readline()
            return True
        if lines.empty():
            return False
        if lines.get() == "":
            lines.put("")
        return True

    return may
