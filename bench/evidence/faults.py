"""Every fault kind of the virtual boxes must end in the verdict that was written down beforehand."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from bench.cli.boats import BOATS, DEMONSTRATION, LARGE
from bench.cli.loading import load_boat
from bench.cli.running import Wish, run_and_judge
from bench.core.frame import RX, Frame
from bench.core.verdict import FAIL, INCONCLUSIVE, PASS, Verdict
from bench.definitions import Definitions
from bench.evidence.page import Page, Table
from bench.session import open_session
from bench.twin import Expected, fault_kinds

NOT_DISTINGUISHABLE = "not distinguishable"
TO_BE_SEEN = "to be seen"  # faults that only a person sees or hears
BY_HAND = "by hand"  # faults that show only when a person works at the box
LOW_SUPPLY = "low supply"  # faults that show only when the supply is lowered
BESIDE_SUPPLY = "beside a supply"  # faults that only the supply's own readings show
SUPPLIES = {
    BESIDE_SUPPLY: "{limit_a: 900, detects_a: 0.5, lag_ms: 100}",
    LOW_SUPPLY: "{limit_a: 900, least_v: 8, most_v: 15.5}",
}
BENCH = "hardstand_bench: 1\nadapter: twin\nclock: host\necho: none\nconfirms: true\njitter_ms: 2\n"
SEEDS = 3


@dataclass(frozen=True, slots=True)
class Case:
    """One fault on one boat. `boat` is the word for it on the command line."""

    boat: str
    kind: str
    where: str
    expected: Expected


def cases(boats: Mapping[str, str] = DEMONSTRATION) -> Iterator[Case]:
    """Every kind on every one of these boats that has it; `boats`: word on the command line -> name."""
    for word, name in boats.items():
        for kind in fault_kinds().values():
            if name in kind.expected:
                yield Case(word, kind.kind, kind.where, kind.expected[name])


STRIKES_AGAIN = ("drops_second_press",)  # each press that is dropped is a root of its own


def reached(case: Case, folder: Path, seed: int = 1) -> Verdict:
    """The verdict of a full run on the boat's virtual box with this fault; recorded in `folder`."""
    fault = f"{case.kind}:{case.expected.argument}"
    return run_and_judge(_wish(case, folder, seed, fault), write=False).verdict


def _wish(case: Case, folder: Path, seed: int, fault: str | None = None) -> Wish:
    """A full run, with a person or a supply where only these bring the fault to light."""
    look = ("all", "horn") if case.where == TO_BE_SEEN else ()
    by_hand = case.where == BY_HAND
    bench = folder.parent / "supplied.yaml" if case.where in SUPPLIES else None
    if bench is not None:
        bench.write_text(f"{BENCH}supply: {SUPPLIES[case.where]}\n", encoding="utf-8")
    return Wish(
        case.boat, "twin", folder, fault=fault, seed=seed, by_hand=by_hand, look=look,
        bench=str(bench) if bench else None,
    )  # fmt: skip


def what_is_wrong(case: Case, verdict: Verdict, folder: Path, seed: int = 1) -> str:
    """Empty when the run ended as expected, else what differs, in words."""
    roots = [d.subject for d in verdict.discrepancies]
    outcome = case.expected.outcome
    if outcome == FAIL:
        several = case.where in (BY_HAND, LOW_SUPPLY) or case.kind in STRIKES_AGAIN
        most = len(case.expected.subjects) if several else 1
        return _wrong_fail(case.expected.subjects, verdict, roots, most)
    if case.where == BESIDE_SUPPLY:
        return _wrong_witness(case, verdict)
    if outcome == INCONCLUSIVE:
        return "" if verdict.outcome == INCONCLUSIVE else f"{verdict.outcome} {', '.join(roots)}".rstrip()
    if outcome == NOT_DISTINGUISHABLE:
        return _wrong_equal(case, verdict, folder, seed)
    return f"unknown expectation {outcome}"


def _wrong_witness(case: Case, verdict: Verdict) -> str:
    """The circuit that was named beforehand is not witnessed, and nothing else is in doubt."""
    others = [d.reason for d in verdict.doubts if not d.reason.startswith("not witnessed")]
    named = {f"not witnessed: {d.subject}" for d in verdict.doubts}
    if verdict.outcome != INCONCLUSIVE or others or named != {case.expected.reason}:
        return f"{verdict.outcome}: {'; '.join([*others, *sorted(named)])}"
    return ""


def _wrong_fail(subjects: tuple[str, ...], verdict: Verdict, roots: list[str], most: int) -> str:
    """One root, on something that was named beforehand: what follows has to be folded. `most`: circuits
    are worked by hand one after the other, and presses dropped one by one: each is found by itself."""
    if verdict.outcome != FAIL:
        return f"{verdict.outcome}, not found"
    if not 1 <= len(roots) <= most:
        return f"{len(roots)} roots: {', '.join(roots)}"
    others = [root for root in roots if root not in subjects]
    return "" if "*" in subjects or not others else f"named {', '.join(others)}"


def _wrong_equal(case: Case, verdict: Verdict, folder: Path, seed: int) -> str:
    """Proof of what cannot be told apart: with the same seed, a healthy box reports the same changes
    of everything but currents in the same order, each within the time a box has; currents lie inside
    the bands of either, or the verdict would not be a pass.
    """
    if verdict.outcome != PASS:
        return f"{verdict.outcome}, though said to be not distinguishable"
    boat = load_boat(case.boat)
    with tempfile.TemporaryDirectory() as other:
        healthy = Path(other) / "healthy"
        run_and_judge(_wish(case, healthy, seed), write=False)
        mine, right = changes(folder, boat.definitions), changes(healthy, boat.definitions)
    respond_ns = round(max(box.respond_ms for box in boat.spec.boxes.values()) * 1e6)
    for signal in sorted(set(mine) | set(right)):
        a, b = mine.get(signal, []), right.get(signal, [])
        if [value for _, value in a] != [value for _, value in b]:
            return f"{signal} shows other values than on a healthy box, so it can be told apart"
        if any(abs(ta - tb) > respond_ns for (ta, _), (tb, _) in zip(a, b, strict=True)):
            return f"{signal} changes at other times than on a healthy box, so it can be told apart"
    return ""


def changes(folder: Path, definitions: Definitions) -> dict[str, list[tuple[int, float | None]]]:
    """Per signal its changes of value, without currents, supply readings and counters."""
    found: dict[str, list[tuple[int, float | None]]] = {}
    definitions.forget()
    for entry in open_session(folder).entries():
        reading = definitions.decode(entry) if isinstance(entry, Frame) and entry.direction == RX else None
        for observation in reading.body if reading is not None else ():
            if observation.signal.split(":")[0] in (
                "current",
                "supply_v",
                "total_a",
                "alive",
                "counter",
                "ack",
            ):
                continue
            seen = found.setdefault(observation.signal, [])
            if isinstance(entry, Frame) and (not seen or seen[-1][1] != observation.value):
                seen.append((entry.t_ns, observation.value))
    return found


def study(sample: float = 1.0) -> Page:
    """Runs every kind on every boat that has it, with several seeds (one on the boats of 48 channels)."""
    several = range(1, max(1, round(SEEDS * sample)) + 1)
    rows: list[list[object]] = []
    wrong = []
    total = 0
    for case in cases(BOATS):
        said, missed = "", []
        for seed in several[:1] if case.boat in LARGE else several:
            total += 1
            with tempfile.TemporaryDirectory() as folder:
                verdict = reached(case, Path(folder) / "session", seed)
                trouble = what_is_wrong(case, verdict, Path(folder) / "session", seed)
            said = f"{verdict.outcome}: {', '.join(d.subject for d in verdict.discrepancies)}".rstrip(": ")
            if trouble:
                missed.append(f"seed {seed}: {trouble}")
        wrong += [f"{case.boat} {case.kind} ({one})" for one in missed]
        words = case.expected.words()
        rows.append(
            [
                case.boat,
                case.kind,
                case.where,
                case.expected.argument,
                words,
                said,
                "; ".join(missed) or "yes",
            ]
        )
    kinds = len({case.kind for case in cases()})
    summary = f"{total - len(wrong)} of {total} runs with {kinds} kinds of fault ended as expected"
    if wrong:
        summary += "; not: " + "; ".join(wrong[:20])
    header = ("boat", "kind", "in its", "argument", "expected", "reached", "as expected")
    about = (
        "Every fault kind on every boat that has it, the full plan each. After a fail every root discrepancy "
        "must be on a circuit or key that was named beforehand (* stands for any). A fault said to be not "
        "distinguishable must give the same changes in the same order as the healthy box with the same seed, "
        "currents aside, each within the time that the box has."
    )
    return Page("faults", "Seeded faults", about, not wrong, summary, (Table(header, rows), _per_kind(rows)))


def _per_kind(rows: list[list[object]]) -> Table:
    """How many of each kind of place ended as expected; the worst first."""
    places = sorted({str(row[2]) for row in rows})
    counted = [
        (
            place,
            sum(row[2] == place for row in rows),
            sum(row[2] == place and row[6] == "yes" for row in rows),
        )
        for place in places
    ]
    counted.sort(key=lambda row: row[2] / row[1])
    return Table(("faults in its", "cases", "as expected"), counted)
