"""What a person at the bench is asked for: added to a plan, refused where nobody is there, answered."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from bench.cli.parser import bench_seconds
from bench.core.errors import Complaint, UsageError
from bench.core.plan import OF_PERSON, Plan

if TYPE_CHECKING:
    from bench.run.operator import Operator
    from bench.spec.model import Spec
    from bench.spec.profile import BenchProfile

NOBODY = (
    "leave out --by-hand, --look and --overload; with --plan: --unattended leaves out what the plan asks a "
    "person for"
)  # fmt: skip


def add_person(parser: argparse.ArgumentParser) -> None:
    """The options of every command that makes a plan which may ask a person."""
    parser.add_argument(
        "--by-hand",
        action="store_true",
        help="then ask a person to work circuits by hand at the box, one at a time, and to put them back",
    )
    parser.add_argument(
        "--overload",
        action="store_true",
        help="then ask a person to overload circuits that must trip, with what the bench profile has for it",
    )
    parser.add_argument(
        "--look",
        metavar="WHAT",
        action="append",
        default=[],
        help="then ask a person what only a person can see: lamps, backlights, labels (all: these three), "
        "a panel, or circuits to switch on for a moment, as the horn; separated by commas",
    )


def add_answering(parser: argparse.ArgumentParser) -> None:
    """The options of a command that asks a person."""
    parser.add_argument(
        "--answer-within",
        metavar="SECONDS",
        type=bench_seconds,
        default=120.0,
        help="how long a person has to answer a question (default: %(default)g)",
    )
    parser.add_argument(
        "--unattended",
        action="store_true",
        help="nobody is there: leave out what the plan asks a person for, and list it as not tested",
    )


def asks_person(plan: Plan) -> bool:
    """Whether a plan has steps that only a person can do."""
    return any(step.kind in OF_PERSON for step in plan.steps)


def with_person(
    spec: Spec, plan: Plan, profile: BenchProfile | None, *, by_hand: bool, look: Sequence[str] = (),
    overload: bool = False,
) -> Plan:  # fmt: skip
    """`plan` and then what is wished for of a person. Raises: UsageError for what cannot be looked at."""
    from bench.plan.by_hand import with_by_hand
    from bench.plan.look import parse_looks, with_looks
    from bench.plan.trip import with_trips
    from bench.run.limits import limits_of

    limits, bare = limits_of(profile), unloaded(spec, profile)
    if what := parse_looks(look):  # before a hand is in the boxes: what lamps must show is known best now
        plan = with_looks(spec, plan, what, limits, bare)
    if by_hand:
        plan = with_by_hand(spec, plan, limits, _reached(profile), bare)
    return with_trips(spec, plan, _overloaded(spec, profile), limits) if overload else plan


def _reached(profile: BenchProfile | None) -> frozenset[str] | None:
    """Circuits that the fixtures of this bench let a person work by hand; None: all."""
    on = _fixtures(profile, "by_hand")
    return frozenset(name for names in on for name in names) if on and all(on) else None


def _overloaded(spec: Spec, profile: BenchProfile | None) -> frozenset[str] | None:
    """Circuits that the fixtures of this bench let a person overload; None: it has none."""
    on = _fixtures(profile, "overload")
    return frozenset(name for names in on for name in (names or spec.circuits)) if on else None


def _fixtures(profile: BenchProfile | None, does: str) -> list[tuple[str, ...]]:
    fixtures = profile.fixtures.values() if profile is not None else ()
    return [f.on for f in fixtures if f.does == does and f.by == "person"]


def unloaded(spec: Spec, profile: BenchProfile | None) -> frozenset[str]:
    """Circuits with no load on this bench."""
    if profile is None:
        return frozenset()
    return frozenset(c for c in spec.circuits if profile.load_of(spec, c) == "none")


def refuse_options(args: argparse.Namespace) -> None:
    """Raises: UsageError for what does not go together."""
    wished = ("--by-hand", args.by_hand), ("--look", bool(args.look)), ("--overload", args.overload)
    for option, given in wished:
        if given and args.unattended:
            text = f"--unattended and {option} do not go together"
            raise UsageError(Complaint(text, advice="name one of them"))
        if given and args.plan is not None:
            advice = f"hardstand plan SPEC {option} ... --out FILE writes a plan with it"
            raise UsageError(Complaint(f"--plan and {option} do not go together", advice=advice))


def person_at_terminal(width: int, clear: Callable[[], None]) -> Operator:
    """Whoever sits at this terminal. Raises: UsageError when nobody does."""
    from bench.cli.person import TerminalPerson
    from bench.rig.typed import Typed

    if sys.stdin is None or not (sys.stderr.isatty() and sys.stdin.isatty()):  # None: closed at the start
        raise UsageError(Complaint("the plan asks a person, and nobody is at the terminal", advice=NOBODY))
    return TerminalPerson(Typed(sys.stdin.fileno()), sys.stderr, width=width, clear=clear)
