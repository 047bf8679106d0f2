"""`hardstand plan`: what a run would do, before anything moves."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from bench.cli.attended import add_person
from bench.cli.output import warn
from bench.cli.parser import Parser, add_choice, add_json, add_spec, count
from bench.core.errors import Complaint, UsageError

if TYPE_CHECKING:
    from bench.core.plan import Plan, Step
    from bench.spec.model import Spec


MOST_ALIKE = 12  # pairs shown
MOST_UNCOVERED = 4  # of a kind of fault


def parser() -> Parser:
    """The command's options."""
    made = Parser(
        "plan",
        "SPEC [options]",
        "Shows what a run would do: how long it takes, its steps, what they cover and what is left out.",
        "exit status: 0, or 2 when the spec or its definitions are wrong",
    )
    add_spec(made)
    made.add_argument(
        "--short", action="store_true", help="the short plan of at most 20 s that CI runs in real time"
    )
    made.add_argument(
        "--on",
        metavar="WHERE",
        default="twin",
        help="where the box is, as in hardstand run: only twin can switch the supply (default: %(default)s)",
    )
    made.add_argument(
        "--only",
        metavar="CIRCUIT",
        action="append",
        default=[],
        help="only what touches this circuit and those that hang together with it; may be given again",
    )
    made.add_argument(
        "--sequences",
        metavar="N",
        type=int,
        choices=(2, 3),
        default=1,
        help="also every sequence of 2 or 3 keys within each cluster of circuits (takes many times as long)",
    )
    made.add_argument(
        "--company",
        action="store_true",
        help="also keys while each other circuit is on, and each two are, until that adds hardly anything "
        "(takes about half as long again, or several times)",
    )
    add_choice(made)
    add_person(made)
    made.add_argument(
        "--bench",
        metavar="PROFILE",
        help="for this bench (a file): shows how long the plan has each circuit with a limit on, and refuses "
        "a plan that exceeds one",
    )
    made.add_argument("--out", metavar="FILE", help="also write the plan, to be reviewed, kept and run again")
    made.add_argument(
        "--pictures", metavar="FOLDER", help="also draw what each cluster of circuits can do, as Mermaid text"
    )
    made.add_argument(
        "--score",
        action="store_true",
        help="try every single edit of the virtual box's tables on it, and defects of the box, and say what "
        "the plan finds (minutes)",
    )
    made.add_argument(
        "--sample", metavar="N", type=count, help="with --score: at most N of each kind (default: all)"
    )
    made.add_argument(
        "--tables",
        metavar="FILE",
        help="with --score: the virtual box of a boat of your own (default: the one shipped for its name)",
    )
    made.add_argument(
        "--processes",
        metavar="N",
        type=count,
        default=2,
        help="with --score: at a time (default: %(default)s)",
    )
    add_json(made)
    return made


def run(args: argparse.Namespace) -> int:
    """Prints and gives back the exit status."""
    from dataclasses import asdict

    from bench.cli.attended import with_person
    from bench.cli.boats import existing_file
    from bench.cli.loading import bench_profile, faults_of_spec, load_boat, plan_for
    from bench.cli.output import print_json, print_lines
    from bench.cli.rigged import with_rig
    from bench.cli.running import Wish, supply_wish
    from bench.cli.scoring import score_lines, score_of
    from bench.cli.since import compared
    from bench.report.terminal import width_of
    from bench.run.limits import limits_of, on_at_most_s, refuse_too_long
    from bench.run.plan_file import plan_text
    from bench.twin import load_tables

    _refuse(args)
    if args.on != "twin":
        from bench.core.clock import SystemClock
        from bench.link.open import link_from_text

        link_from_text(args.on, SystemClock())  # only to hear of a wrong name
    boat = load_boat(args.spec)
    tables = load_tables(existing_file(args.tables, what="virtual box")) if args.tables else None
    warn(faults_of_spec(boat))
    plan = plan_for(
        boat.spec, short=args.short, supply=args.on == "twin", only=args.only, sequences=args.sequences,
        company=args.company, seconds=args.seconds,
        since=compared(args.since, boat) if args.since is not None else None,
    )  # fmt: skip
    profile, _ = bench_profile(args.bench, boat.spec)
    if not args.short and args.seconds is None:
        wish = Wish(args.spec, args.on, Path(), bench=args.bench)
        plan = with_rig(boat.spec, plan, profile, supply_wish(wish, profile, boat))
    plan = with_person(boat.spec, plan, profile, by_hand=args.by_hand, look=args.look, overload=args.overload)
    refuse_too_long(boat.spec, plan, profile)
    limits = limits_of(profile)
    held = on_at_most_s(boat.spec, plan, limits)
    if args.out:
        write_text(Path(args.out), plan_text(plan))
    if args.pictures:
        draw(boat.spec, Path(args.pictures))
    scored = score_of(boat, plan, args.sample, args.processes, tables) if args.score else None
    if args.json:
        more: dict[str, object] = {"score": scored.document()} if scored is not None else {}
        if limits:
            more["limits"] = {n: {"on_s": held[n], "limit_s": limit_s} for n, limit_s in limits.items()}
        print_json({"status": 0, **asdict(plan), **figures(plan), **more})
        return 0
    if scored is not None:
        print_lines(score_lines(scored, width_of(sys.stdout)))
        return 0
    print_lines([*plan_lines(plan), *limit_lines(limits, held)])
    return 0


def _refuse(args: argparse.Namespace) -> None:
    """Options that do not go together."""
    for option, given in (("--sequences", args.sequences > 1), ("--company", args.company)):
        if given and args.seconds is not None:
            text = f"{option} and --seconds do not go together"
            raise UsageError(Complaint(text, advice="it takes as long as it takes: name one of them"))
        if given and args.short:
            raise UsageError(Complaint(f"{option} is for the full plan", advice="leave out --short, or it"))
    if args.company and args.only:
        text = "--company is for all circuits"
        raise UsageError(Complaint(text, advice="leave out --only, or it"))
    if args.score and (args.by_hand or args.look or args.overload):
        raise UsageError(Complaint("--score tries what the bench does by itself", advice="leave out one"))
    for option in ("sample", "tables"):
        if getattr(args, option) is not None and not args.score:
            raise UsageError(Complaint(f"--{option} is for --score", advice="add --score, or leave it out"))


def figures(plan: Plan) -> dict[str, object]:
    """What a plan costs, in numbers."""
    return {
        "duration_s": plan.duration_ms / 1e3,
        "presses": sum(s.kind == "press" for s in plan.steps),
        "tour_presses": sum(t.presses for t in plan.toured),
        "optimum_presses": sum(t.optimum_presses for t in plan.toured),
        "longest_cluster_s": max((t.time_ms for t in plan.toured), default=0.0) / 1e3,
        **_side_by_side(plan),
        "not_distinguishable": [[a.one, a.other, a.why] for a in plan.alike],
    }


def _side_by_side(plan: Plan) -> dict[str, object]:
    made = plan.merged
    if made is None:
        return {}
    return {
        "merged_s": made.merged_ms / 1e3,
        "spacing_s": made.spacing_ms / 1e3,
        "merged_ratio": round(made.ratio, 3),
    }


def draw(spec: Spec, folder: Path) -> None:
    """One file for each cluster that has anything to do, by the name of its first circuit."""
    from bench.oracle import Oracle
    from bench.plan.machine import Machine
    from bench.plan.pace import Pace
    from bench.plan.picture import picture
    from bench.plan.tour import MOST_MOVES

    model, pace = Oracle(spec), Pace.of(spec)
    for k, circuits in enumerate(model.clusters):
        machine = Machine(model, spec, pace, k)
        moves = machine.every_move(MOST_MOVES)
        if moves is None:
            warn([Complaint(f"too many states to draw: {', '.join(circuits)}", severity="warning")])
        elif moves:
            write_text(folder / f"{circuits[0]}.mmd", picture(machine, moves))


def write_text(path: Path, text: str) -> None:
    """Writes a file and makes its folder."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    except OSError as e:
        text = f"{path} cannot be written: {e.strerror or e}"
        raise UsageError(Complaint(text, advice="name another place")) from e


def plan_lines(plan: Plan) -> list[str]:
    """A plan for people: how long, what is done when, what it earns, what it leaves out."""
    from bench.cli.since import since_lines
    from bench.report.terminal import width_of
    from bench.report.text import hanging, table

    width = width_of(sys.stdout)
    digits = 1 if plan.uncovered else 0
    rows = [[f"{step.at_ms / 1e3:.2f} s", _doing(step), step.about] for step in plan.steps]
    lines = [
        f"{plan.title}: {len(plan.steps)} steps, {plan.duration_ms / 1e3:.{digits}f} s on the bench, "
        f"start: {plan.start}",
        *_cost(plan),
        *(line for item in since_lines(plan) for line in hanging(item, width)),
        "",
        *table(("at", "done", "why"), rows, width),
        "",
        "covers:",
        *(line for item in plan.covered for line in hanging(item, width)),
    ]
    if plan.alike:
        pairs = [f"{a.one} and {a.other}: {a.why}" for a in plan.alike[:MOST_ALIKE]]
        if len(plan.alike) > MOST_ALIKE:
            pairs.append(f"... and {len(plan.alike) - MOST_ALIKE} more pairs (--json lists all)")
        lines += [
            "",
            "not told apart (look at them, or hang another load on one):",
            *(line for item in pairs for line in hanging(item, width)),
        ]
    if plan.uncovered:
        lines += [
            "",
            "still uncovered:",
            *(line for item in shortened(plan) for line in hanging(item, width)),
        ]
    if plan.not_tested:
        left = [f"{subject}: {why}" for subject, why in plan.not_tested.items()]
        lines += ["", "not tested:", *(line for item in left for line in hanging(item, width))]
    return lines


def limit_lines(limits: Mapping[str, float], held: Mapping[str, float]) -> list[str]:
    """How long each circuit with a limit is on, for people."""
    if not limits:
        return []
    rows = [[n, f"{held[n]:.1f} s", f"{limit_s:g} s"] for n, limit_s in limits.items()]
    from bench.report.terminal import width_of
    from bench.report.text import table

    return [
        "",
        "limits of this bench:",
        *table(("circuit", "on at most", "limit"), rows, width_of(sys.stdout)),
    ]


def shortened(plan: Plan) -> list[str]:
    """What is still uncovered, each kind of fault with no more than a few."""
    rows = []
    for text in plan.uncovered:
        kind, _, rest = text.partition(": ")
        which = rest.split("; ")
        more = f"; ... and {len(which) - MOST_UNCOVERED} more" if len(which) > MOST_UNCOVERED else ""
        rows.append(f"{kind}: {'; '.join(which[:MOST_UNCOVERED])}{more}")
    return rows


def _cost(plan: Plan) -> list[str]:
    found = figures(plan)
    if not plan.toured:
        return []
    alone = f"{found['longest_cluster_s']:.0f} s"
    if plan.merged is not None:
        alone += (
            f", their stimuli {found['spacing_s']:.0f} s, all without anything else {found['merged_s']:.0f} s"
        )
    return [
        f"tours of {len(plan.toured)} clusters side by side: {found['tour_presses']} presses, "
        f"{found['optimum_presses']} at least; the longest alone {alone}"
    ]


def _doing(step: Step) -> str:
    if step.kind in ("sensor", "supply"):
        return f"{step.kind} {step.name} {'on' if step.value else 'off'}"
    if step.kind == "volts":
        return f"supply to {step.value / 1000:g} V"
    if step.kind == "silent":
        return f"{step.name} {'silent' if step.value else 'heard again'}"
    return f"{step.kind} {step.name}".rstrip()
