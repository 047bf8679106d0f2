"""What plans find of all single edits of a boat's tables, of defects of its box, and of what hides from
single transitions, kind by kind."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from itertools import product
from typing import NamedTuple

from bench.core.clock import SystemClock
from bench.core.plan import Plan
from bench.evidence.page import Page, Table
from bench.lab.api import boat_tables, load_boat
from bench.lab.board import crossed, hidden, pasts, sampled
from bench.lab.score import WIRES, Edit, Score, score
from bench.lab.walk import make_walk
from bench.plan import make_plan
from bench.plan.once import each_key_once
from bench.twin import Tables
from bench.twin.defects import box_defects
from bench.twin.edits import double_edits, single_edits

SAMPLED = {"dunlin": 12, "fulmar": 12, "turnstone": 3, "greenshank": 3, "dotterel": 3}  # of each kind
OF_OTHERS = 6  # edits of each kind for the plans compared with
TWO_AT_ONCE = 300
CORES = 2
MOST_S = 300.0  # for all single edits of the demo boat on so many cores
IN_DOUBT = ("lamp_missing",)  # a lamp reported as not available is a doubt by agreement (docs/verdict.md)
SEQUENCES = "hidden, with sequences of three"
IN_COMPANY = "hidden, with keys in all company"
UNSUPPLIED = "hidden, without a supply that is switched"
AIMS = {
    "cross-talk, one circuit": 1.0, "cross-talk, two circuits": 0.98, "stray off, one circuit": 1.0,
    "stray off, two circuits": 0.98,
}  # fmt: skip
PAST_AIM = 0.95  # of history up to three keys, with sequences of three
ABOUT = (
    "Each single edit of the virtual box's tables (docs/twin.md), each defect of its firmware, wiring, "
    "sensors and bus that a run must find, pairs of edits, and what hides from single transitions: run "
    "with the plan to its first discrepancy and judged as a box on the bench would be. Only the plan as "
    "it stands finds anything: no step is left out or done earlier. Equal: two virtual boxes in "
    "lock-step, with and without the edit, show no difference whatever is done to them. Look alike: "
    "wires of two loads exchanged that may draw the same, which the plan names beforehand. Left out: losses "
    "that the plan names as not tested; they count as not found. In doubt: "
    "inconclusive, as a lamp reported as not available, or loads exchanged whose current lies within "
    "the measurement uncertainty. All on two cores: by the CPU time of those tried, kind by kind. "
)
OUTCOMES = ("found", "equal", "look alike", "in doubt", "left out", "missed")
KINDS = ("demo boat", "kind", "tried", *OUTCOMES, "share")


class Scoring(NamedTuple):
    """`every`: how many there are of each kind, of which some or all were tried in `real_s`."""

    boat: str
    what: str
    plan: Plan
    every: Counter[str]
    found: Score
    real_s: float

    @property
    def cpu_s(self) -> float:
        """Of all processes together."""
        return sum(self.found.cpu_s.values())

    @property
    def whole_s(self) -> float:
        """How long all of them take on CORES cores, by the CPU time of those tried, kind by kind."""
        tried = {kind: c.total() for kind, c in self.found.counts.items()}
        return sum(self.found.cpu_s[k] * self.every[k] / n for k, n in tried.items()) / CORES

    @property
    def worst(self) -> str:
        """The kind of which least was found."""
        found = self.found
        return min((k for k in found.counts if k not in IN_DOUBT), key=found.share, default="")

    def row(self) -> list[object]:
        """As in ABOUT_BOATS."""
        worst, outcomes = self.worst, _outcomes(self.found.total)
        return [
            self.boat, self.what, self.every.total(), sum(outcomes), *outcomes,
            f"{worst} {self.found.share(worst):.0%}",
            f"{self.plan.duration_ms / 1e3:.0f} s", f"{self.real_s:.0f} s", f"{self.cpu_s:.0f} s",
            f"{self.whole_s:.0f} s",
        ]  # fmt: skip


ABOUT_BOATS = (
    *("boat", "what", "there are", "tried", *OUTCOMES),
    *("worst kind but lamp_missing", "bench time", "took", "CPU time", f"all on {CORES} cores"),
)


def scoring(
    boat: str, what: str, tried: Iterable[Edit], every: Iterable[Edit] = (), plan: Plan | None = None
) -> Scoring:
    """What a plan (None: the full one) finds of those tried."""
    loaded = load_boat(boat)
    plan = plan or make_plan(loaded.spec, supply=True)
    chosen, clock = list(tried), SystemClock()
    began_ns = clock.now_ns()
    tables = boat_tables(loaded.spec.boat.name)
    found = score(loaded, tables, plan, chosen, processes=os.cpu_count() or 1)
    kinds = Counter(e.kind for e in every) or Counter(e.kind for e in chosen)
    return Scoring(boat, what, plan, kinds, found, (clock.now_ns() - began_ns) / 1e9)


def study(sample: float = 1.0) -> Page:
    """All edits of the demo boat, a sample of the others; and what other plans find on the first."""
    most = None if sample == 1.0 else max(1, round(12 * sample))
    boats = {"demo": most, **(SAMPLED if most is None else {})}
    singles = [s for boat, of_each in boats.items() for s in _singles(boat, of_each)]
    others = [s for boat, of_each in boats.items() for s in _besides(boat, of_each)]
    plain, unsupplied, company, past = _hidden("demo", most)
    every = [*singles, *others, plain, unsupplied, company, past]
    tables = [
        Table(ABOUT_BOATS, [s.row() for s in every]),
        Table(KINDS, [row for s in every if s.boat == "demo" for row in _kinds(s)]),
        _others(max(1, round(OF_OTHERS * sample))),
        *_listed("missed, and what would tell, where known", every, ("missed", "broken")),
        *_listed("left out, and what would tell", every, ("left out",)),
        *_listed("equal, and how that is known", every, ("equal",)),
        *_listed("in doubt, and why", every, ("doubted",)),
    ]
    wrong = [*unfound_kinds(singles), *slow(singles[0])]
    wrong += below_aims((plain, unsupplied, company), past)
    number = sum(s.found.total.total() for s in singles)
    good = f"of {number} single edits all found that a report can show, and the aims reached for what hides"
    summary = "; ".join(wrong) or good
    return Page("scoreboard", "What a plan finds", _about(most), not wrong, summary, tuple(tables))


def _singles(boat: str, most: int | None) -> Iterator[Scoring]:
    every = list(single_edits(_tables(boat)))
    losses = [e for e in every if e.kind.startswith("loss_")]
    others = [e for e in every if e not in losses]
    yield scoring(boat, "single edits", sampled(others, most), others)
    yield scoring(boat, "single edits of losses", losses, losses)


def _besides(boat: str, most: int | None) -> list[Scoring]:
    defects = list(box_defects(_tables(boat)))
    pairs = double_edits(_tables(boat), TWO_AT_ONCE if most is None else 2 * most)
    return [
        scoring(boat, "defects of the box", sampled(defects, most), defects),
        scoring(boat, "two edits at once", pairs),
    ]


def _hidden(boat: str, most: int | None) -> list[Scoring]:
    spec, tables = load_boat(boat).spec, _tables(boat)
    long = make_plan(spec, supply=True, sequences=3)
    whole = make_plan(spec, supply=True, company=True)
    return [
        scoring(boat, "hidden", hidden(tables, most)),
        scoring(boat, UNSUPPLIED, crossed(tables, most), plan=make_plan(spec)),
        scoring(boat, IN_COMPANY, crossed(tables, most), plan=whole),
        scoring(boat, SEQUENCES, pasts(tables, most), plan=long),
    ]


def _tables(boat: str) -> Tables:
    return boat_tables(load_boat(boat).spec.boat.name)


# ---- what is written


def _outcomes(c: Counter[str]) -> list[int]:
    """As in OUTCOMES; what did not work counts as missed."""
    return [c[o] for o in ("found", "equal", "alike", "doubted", "left out")] + [c["missed"] + c["broken"]]


def _kinds(one: Scoring) -> Iterator[list[object]]:
    for kind, c in sorted(one.found.counts.items(), key=lambda item: one.found.share(item[0])):
        tried = f"{c.total()} of {one.every[kind]}"
        yield [one.what, kind, tried, *_outcomes(c), f"{one.found.share(kind):.0%}"]


def _listed(title: str, every: Sequence[Scoring], outcomes: tuple[str, ...]) -> Iterator[Table]:
    rows = [
        [one.boat, one.what, f"{s.fault.kind} {s.fault.argument}", s.why]
        for one in every
        for s in one.found.unfound
        if s.outcome in outcomes and s.fault.kind not in IN_DOUBT
    ]
    if rows:
        yield Table(("boat", "what", title, ""), rows)


# ---- whether it holds


def unfound_kinds(singles: Sequence[Scoring]) -> Iterator[str]:
    """Kinds of single edits of which not all were found. A doubt about exchanged wires is all there is."""
    for one in singles:
        kinds = [k for k, c in one.found.counts.items() if _is_open(k, c)]
        if kinds:
            yield f"{one.boat}: not all found of {', '.join(sorted(kinds))}"


def _is_open(kind: str, c: Counter[str]) -> bool:
    doubted = c["doubted"] if kind not in (*IN_DOUBT, *WIRES) else 0
    return bool(c["missed"] + c["broken"] + doubted)


def slow(one: Scoring) -> Iterator[str]:
    """Whether all of it takes too long."""
    if one.whole_s > MOST_S:
        yield f"all {one.what} of the {one.boat} boat take {one.whole_s:.0f} s on {CORES} cores"


def below_aims(crossed: Sequence[Scoring], past: Scoring) -> Iterator[str]:
    """Which aims for what hides were not reached, plan by plan. Of history those of keys of one cluster
    count."""
    for one, (kind, aim) in product(crossed, AIMS.items()):
        if one.found.share(kind) < aim:
            yield _short_of(f"{one.what}, {kind}", one.found.share(kind), aim)
    own = [c for kind, c in past.found.counts.items() if kind.endswith(" before")]
    share = sum(c["found"] for c in own) / max(sum(c.total() - c["equal"] for c in own), 1)
    if share < PAST_AIM:
        yield _short_of("history with sequences of three", share, PAST_AIM)


def _short_of(what: str, share: float, aim: float) -> str:
    return f"{what}: {share:.0%} found, {aim:.0%} is the aim"


def _about(most: int | None) -> str:
    whole = "All single edits and defects of the demo boat; of the other boats 12, or 3, of each kind."
    return ABOUT + (whole if most is None else f"A sample: {most} of each kind of the demo boat.")


def _others(most: int) -> Table:
    spec = load_boat("demo").spec
    full = make_plan(spec, supply=True)
    walk = make_walk(spec, 1, length_s=full.duration_ms / 1e3)
    rows: list[list[object]] = []
    for name, plan in (("the plan", full), ("each key once", each_key_once(spec)), ("a random walk", walk)):
        edits = sampled(list(single_edits(_tables("demo"))), most)
        found = scoring("demo", name, edits, plan=plan).found
        by_kind = [found.share(kind) for kind in found.counts if kind not in IN_DOUBT]
        least = [k for k in found.counts if k not in IN_DOUBT and found.share(k) < 0.5]
        rows.append(
            [
                name, f"{plan.duration_ms / 1e3:.0f} s", found.total.total(), found.total["found"],
                f"{sum(by_kind) / len(by_kind):.0%}", ", ".join(least) or "-",
            ]
        )  # fmt: skip
    header = ("demo boat", "bench time", "edits", "found", "mean over kinds", "less than half found")
    return Table(header, rows)
