"""How often `compare` calls healthy sessions different, and seeded faults the same."""

from __future__ import annotations

import re
import tempfile
from dataclasses import dataclass
from pathlib import Path

from bench.cli.boats import DEMONSTRATION
from bench.cli.comparing import compare_paths
from bench.cli.running import Wish, run_and_judge
from bench.compare import CANNOT_TELL, DIFFERENT, SAME, Comparison
from bench.evidence.page import Page, Table

PAIRS = {"demo": 100, "dunlin": 20, "fulmar": 20}
PLAN_PAIRS = 5
FAULT_SEEDS = 10
MOST_FALSE = 0.01


@dataclass(frozen=True, slots=True)
class Case:
    """A fault of the demo boat; `subjects` and `kinds`: one of each must be named."""

    fault: str
    subjects: tuple[str, ...]
    kinds: tuple[str, ...]


CASES = (
    Case("late_key:screen helm 38/30", ("engine_fan", "screen helm 38"), ("circuit delay", "control delay")),
    Case("late_key:panel helm 2/30", ("panel helm 2",), ("circuit delay", "control delay")),
    Case("state_late:main 3/40", ("deck_fwd",), ("circuit delay",)),
    Case("slow_task:30", ("main",), ("box delay",)),
    Case("dim_rate:main 9/1.05", ("cabin_red",), ("dimming speed",)),
    Case("current_gain:main 17/20", ("fresh_water",), ("current",)),
    Case("chatter:main 17/40", ("fresh_water",), ("state",)),
    Case("timer_short:main 15/37", ("washdown",), ("timer",)),
    Case("preset_wrong:panel helm 8/main 4/52", ("deck_aft",), ("level",)),
    Case("stale_lamp:panel helm 6", ("panel helm 6",), ("lamp",)),
)


def recorded(boat: str, seed: int, folder: Path, fault: str | None = None, *, short: bool = False) -> Path:
    """A run on the virtual box, of the full plan or the short one, recorded in a folder of its own."""
    out = folder / re.sub(r"\W+", "-", f"{boat} {seed} {fault or 'healthy'} {'short' if short else 'full'}")
    if not out.exists():
        run_and_judge(Wish(boat, "twin", out, fault=fault, seed=seed, short=short), write=False)
    return out


def healthy_pair(boat: str, number: int, folder: Path) -> Comparison:
    """Two healthy sessions of seeds that no other pair has."""
    paths = [recorded(boat, 2 * number + k, folder) for k in (1, 2)]
    return compare_paths(str(paths[0]), str(paths[1]))


def plan_pair(boat: str, number: int, folder: Path) -> Comparison:
    """Two healthy sessions of different plans: whatever is matched, nothing may be called different."""
    short = recorded(boat, 2 * number + 2001, folder, short=True)
    return compare_paths(str(short), str(recorded(boat, 2 * number + 2002, folder)))


def fault_pair(case: Case, seed: int, folder: Path) -> Comparison:
    """A healthy session and one with the fault and another seed."""
    healthy = recorded("demo", seed, folder)
    faulty = recorded("demo", seed + 5000, folder, case.fault)
    return compare_paths(str(healthy), str(faulty))


def names(comparison: Comparison) -> list[tuple[str, str]]:
    """(kind or family, subject) of everything that was called different."""
    seen = [(d.kind, d.subject) for d in comparison.differences]
    return seen + [(s.family, s.subject) for s in comparison.shifts if s.verdict == DIFFERENT]


def is_found(case: Case, comparison: Comparison) -> bool:
    """Different, and one of the right subjects named with one of the right quantities."""
    return comparison.outcome == DIFFERENT and any(
        kind in case.kinds and subject in case.subjects for kind, subject in names(comparison)
    )


def study(sample: float = 1.0) -> Page:
    """Healthy pairs of each boat, of one plan and of two, then each fault with several seeds."""
    false: list[str] = []
    rows: list[tuple[object, ...]] = []
    pairs = 0
    for plans, make, wanted in (
        ("full", healthy_pair, PAIRS),
        ("short, full", plan_pair, dict.fromkeys(DEMONSTRATION, PLAN_PAIRS)),
    ):
        for boat in DEMONSTRATION:
            outcomes = []
            for number in range(max(1, round(wanted[boat] * sample))):
                with tempfile.TemporaryDirectory() as folder:
                    comparison = make(boat, number, Path(folder))
                outcomes.append(comparison.outcome)
                if comparison.outcome == DIFFERENT:
                    false.append(f"{boat} {plans} pair {number}: {names(comparison)[:3]}")
            pairs += len(outcomes)
            counts = (outcomes.count(o) for o in (SAME, CANNOT_TELL, DIFFERENT))
            rows.append((boat, plans, len(outcomes), *counts))
    found, missed = _faults(max(1, round(FAULT_SEEDS * sample)))
    holds = len(false) <= MOST_FALSE * pairs and not missed
    summary = f"{len(false)} of {pairs} healthy pairs called different"
    summary += f" ({'; '.join(false)})" if false else ""
    summary += f"; {len(missed)} of {sum(row[1] for row in found)} faults not found"
    summary += f" ({'; '.join(missed)})" if missed else ""
    return Page(
        "compare",
        "Comparing sessions",
        "Pairs of healthy virtual boxes of different seeds (noise, phases, sensor errors within the spec),"
        " the full plan each, and the short plan against the full one; then a healthy session against one"
        " with a small fault and another seed. A fault counts as found when its circuit, control or box is"
        " named with the right quantity. All from the virtual boxes: how noisy a real one is, only its own"
        " sessions tell.",
        holds,
        summary,
        (
            Table(("boat", "plans", "healthy pairs", SAME, CANNOT_TELL, DIFFERENT), rows),
            Table(("fault", "pairs", "found", "besides it, at most", "named"), found),
        ),
    )


def _faults(seeds: int) -> tuple[list[tuple[str, int, int, int, str]], list[str]]:
    rows, missed = [], []
    for case in CASES:
        count, besides, said = 0, 0, ""
        for seed in range(1001, 1001 + seeds):
            with tempfile.TemporaryDirectory() as folder:
                comparison = fault_pair(case, seed, Path(folder))
            if is_found(case, comparison):
                count += 1
            else:
                missed.append(f"{case.fault} seed {seed}: {comparison.outcome}")
            named = names(comparison)
            besides = max(besides, len({s for _, s in named} - set(case.subjects)))
            said = said or ", ".join(f"{subject} ({kind})" for kind, subject in named[:3])
        rows.append((case.fault, seeds, count, besides, said))
    return rows, missed
