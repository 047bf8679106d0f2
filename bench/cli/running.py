"""A run from the words of a command line: what `run`, `demo`, the pytest plugin and the studies share."""

from __future__ import annotations

import argparse
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from bench.cli.accepting import keep_copy, read_accepted, set_apart
from bench.cli.attended import asks_person, person_at_terminal, refuse_options, with_person
from bench.cli.boats import existing_file
from bench.cli.energise import confirm
from bench.cli.judging import material_of, start_ns_of, tell
from bench.cli.loading import Boat, bench_profile, faults_of_spec, load_boat, plan_for, refuse_disagreed
from bench.cli.output import warn
from bench.cli.require import parse_require, with_requirement
from bench.cli.rigged import meter_of, with_rig
from bench.cli.since import compared, since_lines
from bench.cli.virtual import parse_faults
from bench.core.clock import SystemClock, utc_text
from bench.core.errors import Complaint, UsageError
from bench.core.event import BY_HAND
from bench.core.plan import OVERLOAD, Plan
from bench.judge import JUDGE_VERSION
from bench.lab.api import boat_tables, run_virtual
from bench.lab.person import SimulatedPerson
from bench.link.open import link_from_text
from bench.plan.by_hand import without_person
from bench.plan.since import Compared
from bench.report import Material, write_results
from bench.report.progress import Progress
from bench.report.terminal import width_of
from bench.rig import Setting
from bench.run.api import Boat as RunBoat
from bench.run.api import SupplyWish, Wishes, before_the_run, run_link
from bench.run.conductor import Gate, no_progress
from bench.run.limits import refuse_too_long
from bench.run.operator import LIMIT_S, Operator
from bench.run.plan_file import load_plan
from bench.run.result import RunResult
from bench.run.stop import StopFlag
from bench.run.supply_limit import need_of, too_little
from bench.session import open_session
from bench.spec.profile import BenchProfile, SerialSupply
from bench.twin import Tables, load_tables

Tell = Callable[[float, float, str], None]


@dataclass(frozen=True, slots=True)
class Wish:
    """What was asked for; see `hardstand run --help`. `out`: the session's folder, new or empty. `plan`:
    None makes one; `operator`: who is asked (None: on the virtual box a simulated person, else nobody);
    `gate`: asked before each step; `facts`: more for session.json."""

    spec: str
    on: str
    out: Path
    fault: str | None = None
    seed: int = 1
    short: bool = False
    bench: str | None = None
    until_first: bool = False
    require: str | None = None
    tables: str | None = None
    accepted: str | None = None
    supply: str | None = None
    plan: Plan | None = None
    by_hand: bool = False
    look: tuple[str, ...] = ()
    overload: bool = False
    unattended: bool = False
    answer_within_s: float = LIMIT_S
    operator: Operator | None = None
    gate: Gate | None = None
    facts: Mapping[str, object] = field(default_factory=dict)


def run_command(args: argparse.Namespace) -> int:
    """`hardstand run`."""
    out = Path(args.out) if args.out else Path("sessions") / utc_text().replace(":", "")
    wish = Wish(
        args.spec,
        args.on,
        out,
        fault=args.fault,
        seed=args.seed,
        short=args.short,
        bench=args.bench,
        until_first=args.until_first,
        require=args.require,
        tables=args.tables,
        accepted=args.accepted,
        supply=args.supply,
        by_hand=args.by_hand,
        overload=args.overload,
        look=tuple(args.look),
        unattended=args.unattended,
        answer_within_s=args.answer_within,
    )
    refuse_options(args)
    boat = load_boat(wish.spec)
    warn((*boat.warnings, *faults_of_spec(boat)))
    refuse_disagreed(boat)
    if args.plan is not None:
        for other, given in (
            ("--short", args.short),
            ("--seconds", args.seconds is not None),
            ("--since", args.since is not None),
        ):
            if given:
                text = f"--plan and {other} do not go together"
                raise UsageError(Complaint(text, advice="name one of them"))
        wish = replace(wish, plan=load_plan(existing_file(args.plan, what="plan"), boat.spec))
    check_wish(wish, boat)
    progress = Progress(sys.stderr, width=width_of(sys.stderr))
    wish = _ready(args, wish, boat, progress)
    try:
        result, material = run_boat(wish, boat, tell_progress=progress.update)
    finally:
        progress.close()
    for warning in result.warnings:
        print(f"hardstand: warning: {warning}", file=sys.stderr)
    tell(material, as_json=args.json, where=str(out))
    return replace(result, verdict=material.verdict).exit_status


def _ready(args: argparse.Namespace, wish: Wish, boat: Boat, progress: Progress) -> Wish:
    """The wish with its plan, refused or confirmed before anything real is energised."""
    profile, _ = bench_profile(wish.bench, boat.spec, warns=False)  # the run itself does
    plan = wish.plan
    if plan is None:
        since = compared(args.since, boat) if args.since is not None else None
        plan = _plan_of(wish, boat, profile, seconds=args.seconds, since=since)
        for line in since_lines(plan):
            print(f"hardstand: {line}", file=sys.stderr)
    if wish.unattended:
        plan = without_person(plan, "left out: the run was declared unattended")
    refuse_too_long(boat.spec, plan, profile)
    wish = replace(wish, plan=plan)
    if wish.on == "twin":
        return wish
    if asks_person(plan):
        wish = replace(wish, operator=person_at_terminal(width_of(sys.stderr), progress.close))
    supply = supply_wish(wish, profile, boat)
    if supply is not None:
        warn(too_little(supply.setting, need_of(boat.spec, plan, profile, supply.setting.volts)))
    spoken = RunBoat(boat.spec, boat.definitions)
    warn(before_the_run(spoken, guard=True, switches_supply=_switches(wish, boat, profile)))
    confirm(
        boat.spec, yes=args.yes, ask=sys.stderr, answer=sys.stdin, width=width_of(sys.stderr),
        hand_in_box=any(step.kind in (BY_HAND, OVERLOAD) for step in plan.steps),
    )  # fmt: skip
    return wish


def _switches(wish: Wish, boat: Boat, profile: BenchProfile | None) -> bool:
    """Whether the supply can be switched. Raises: UsageError for a link of a wrong name."""
    if wish.on == "twin":
        return True
    return (
        link_from_text(wish.on, SystemClock()).facts.switches_supply
        or supply_wish(wish, profile, boat) is not None
    )


def _plan_of(
    wish: Wish, boat: Boat, profile: BenchProfile | None, *, seconds: float | None = None,
    since: Compared | None = None,
) -> Plan:  # fmt: skip
    """The plan for the time there is, for what changed, and for the person who is there."""
    plan = plan_for(
        boat.spec, short=wish.short, supply=_switches(wish, boat, profile), seconds=seconds, since=since
    )
    if not wish.short and seconds is None:
        plan = with_rig(boat.spec, plan, profile, supply_wish(wish, profile, boat))
    return with_person(boat.spec, plan, profile, by_hand=wish.by_hand, look=wish.look, overload=wish.overload)


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
        raise UsageError(
            Complaint("--fault is for the virtual box", advice="a fault cannot be seeded in a real one")
        )
    if wish.on != "twin" and ":" not in wish.on:
        text = f"--on {wish.on} names no box"
        raise UsageError(Complaint(text, expected="twin, slcan:PORT or INTERFACE:CHANNEL"))
    if wish.on != "twin" and wish.tables is not None:
        raise UsageError(Complaint("--tables is for the virtual box", advice="a real box has its own"))
    if wish.on == "twin" and wish.supply is not None:
        advice = "the virtual box's supply is switched without a port"
        raise UsageError(Complaint("--supply is for a real box", advice=advice))
    parse_faults(wish.fault)
    if wish.require is not None:
        parse_require(wish.require, boat.spec.circuits, boat.spec.controls)
    read_accepted(wish.accepted, boat.spec)


def run_boat(
    wish: Wish, boat: Boat, *, write: bool = True, tell_progress: Tell | None = None
) -> tuple[RunResult, Material]:
    """Runs, judges and writes the results.

    Raises: UsageError, BenchError before the first stimulus; later troubles end in the verdict.
    """
    profile, profile_text = bench_profile(wish.bench, boat.spec)
    spoken = RunBoat(boat.spec, boat.definitions, profile, profile_text)
    accepted = read_accepted(wish.accepted, boat.spec)
    facts: dict[str, object] = {"asked_for": wish.on, "judge": JUDGE_VERSION}
    if wish.on == "twin":
        facts |= {"seed": wish.seed, "fault": wish.fault or "none"}
    if wish.require is not None:
        facts["require"] = wish.require
    plan = wish.plan
    asks = wish.by_hand or wish.look or wish.overload
    if plan is None and (asks or supply_wish(wish, profile, boat) is not None):
        plan = _plan_of(wish, boat, profile)
    operator = wish.operator
    if plan is not None and asks_person(plan) and not wish.unattended:
        if operator is None and wish.on == "twin":
            operator = SimulatedPerson(boat.spec)
        facts["person"] = "simulated" if isinstance(operator, SimulatedPerson) else "at the terminal"
    if wish.unattended or (plan is not None and asks_person(plan) and operator is None):
        facts["person"] = "none: unattended"
    wishes = Wishes(
        supply=supply_wish(wish, profile, boat),
        short=wish.short, out=wish.out, until_first=wish.until_first, guard=wish.on != "twin",
        facts={**facts, **wish.facts}, plan=plan, gate=wish.gate, operator=operator,
        answer_within_s=wish.answer_within_s,
    )  # fmt: skip
    tables = _tables(wish, boat) if wish.on == "twin" else None
    stop = StopFlag()
    progress = tell_progress or no_progress
    with _signals(stop):
        if wish.on == "twin":
            result = run_virtual(
                boat=spoken,
                tables=tables,
                faults=parse_faults(wish.fault),
                seed=wish.seed,
                wishes=wishes,
                stop=stop,
                progress=progress,
            )
        else:
            result = run_link(spoken, wish.on, wishes, stop=stop, progress=progress)
    verdict = result.verdict
    session = open_session(wish.out)
    if wish.require is not None:
        requirement = parse_require(wish.require, boat.spec.circuits, boat.spec.controls)
        verdict = with_requirement(verdict, requirement, boat.spec.circuits, start_ns_of(session))
    verdict = set_apart(verdict, accepted, start_ns_of(session))
    keep_copy(wish.out, accepted)
    material = material_of(session, boat, verdict)
    if write:
        write_results(wish.out, material)
    return result, material


def supply_wish(wish: Wish, profile: BenchProfile | None, boat: Boat) -> SupplyWish | None:
    """The supply of the profile at its port or at that of `--supply`; simulated on the virtual box, where a
    plan makes use of it; None without.

    Raises: UsageError where no current limit was agreed, or no one voltage fits all boxes.
    """
    known = profile.supply if profile is not None else "none"
    if not isinstance(known, SerialSupply):
        if wish.supply is None:
            return None
        advice = "give --bench a profile with supply: {limit_a: ...}: what the wires of this bench can bear"
        raise UsageError(Complaint("--supply needs a current limit, and no profile gives one", advice=advice))
    meter = meter_of(known)
    is_used = meter is not None or known.least_v is not None or known.most_v is not None
    virtual = "simulated" if is_used else None
    port = virtual if wish.on == "twin" else wish.supply or known.port
    if port is None:
        return None
    nominal = {box.supply_v for box in boat.spec.boxes.values()}
    if known.volts is None and len(nominal) > 1:
        text = f"the boxes have supplies of {', '.join(f'{v:g} V' for v in sorted(nominal))}"
        raise UsageError(Complaint(text, expected="one voltage", advice="give volts in the bench profile"))
    volts = known.volts if known.volts is not None else nominal.pop()
    return SupplyWish(port, Setting(volts, known.limit_a, meter), known.dialect)


def _tables(wish: Wish, boat: Boat) -> Tables:
    """The virtual box: of the file that was named, or shipped for the boat's name."""
    if wish.tables is not None:
        return load_tables(existing_file(wish.tables, what="virtual box"))
    return boat_tables(boat.spec.boat.name)


@contextmanager
def _signals(stop: StopFlag) -> Iterator[None]:
    """Ctrl-C and SIGTERM end the run by switching off; only the main thread may listen for them."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    with stop.on_signals():
        yield
