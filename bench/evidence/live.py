"""A verdict reached while a run went on is the one that its recording gives, to the letter."""

from __future__ import annotations

import json
import random
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from bench.cli.boats import BOATS as SHIPPED
from bench.cli.judging import judge_it, material_of
from bench.cli.loading import Boat, load_boat
from bench.core.clock import VirtualClock
from bench.core.plan import Plan
from bench.core.verdict import FAIL, INCONCLUSIVE, PASS
from bench.evidence.link_faults import random_fault_within
from bench.evidence.page import Page, Table
from bench.lab.api import boat_tables
from bench.lab.one_fault import FaultyBench, LinkFault
from bench.lab.virtual import START_NS, VirtualBench
from bench.lab.walk import make_walk
from bench.plan import make_plan
from bench.report.files import verdict_document
from bench.run import api
from bench.run.api import Wishes, run_on
from bench.session import open_session
from bench.twin import Fault, Tables, Twin, fault_kinds
from bench.twin.edits import single_edits

RECORDINGS = Path(__file__).resolve().parents[2] / "recordings"
BOATS = ("demo", "dunlin", "fulmar", "turnstone")
RUNS = 200
WALK, FULL, SHORT = PLANS = ("a random walk", "the plan", "the short plan")
OF_THE_BOX, OF_THE_LINK, OF_BOTH, NONE = TROUBLES = ("box", "link", "box and link", "none")


@dataclass(frozen=True, slots=True)
class Run:
    """What is run: `plan` of PLANS; `box_fault`, `link_fault`: None where that is sound."""

    boat: str
    seed: int
    plan: str
    until_first: bool
    box_fault: Fault | None
    link_fault: LinkFault | None

    @property
    def trouble(self) -> str:
        """Of TROUBLES."""
        if self.box_fault and self.link_fault:
            return OF_BOTH
        return OF_THE_BOX if self.box_fault else OF_THE_LINK if self.link_fault else NONE

    def words(self) -> str:
        """To find it again."""
        return f"{self.boat} {self.seed}, {self.plan}, {self.box_fault}, {self.link_fault}"


def random_run(boat: str, seed: int) -> Run:
    """Most have a fault: one of the seeded kinds, an edit of the tables, one of the link, or of both."""
    chance = random.Random(f"live {boat} {seed}")
    box_fault = chance.choice(_box_faults(boat, boat_tables(boat))) if chance.random() < 0.7 else None
    plan = chance.choices(PLANS, (2, 1, 1))[0]
    within_s = 15 if plan == SHORT else 35
    link_fault = random_fault_within(START_NS + within_s * 1_000_000_000, chance)
    return Run(
        boat, seed, plan, chance.random() < 0.2, box_fault, link_fault if chance.random() < 0.5 else None
    )


def _box_faults(boat: str, tables: Tables) -> list[Fault]:
    name = SHIPPED[boat]
    kinds = [
        Fault(kind.kind, kind.expected[name].argument)
        for kind in fault_kinds().values()
        if name in kind.expected
    ]
    edits = list(single_edits(tables))
    return kinds + edits[:: max(1, len(edits) // max(1, len(kinds)))]


def both(run: Run, folder: Path) -> tuple[str, str, str]:
    """The outcome, and the verdict's document as it was reached live and from the recording."""
    boat = load_boat(run.boat)
    faults = (run.box_fault,) if run.box_fault else ()
    clock = VirtualClock(START_NS)
    twin = Twin(boat_tables(run.boat), seed=run.seed, faults=faults, start_ns=START_NS, powered=False)
    link = FaultyBench(twin, clock, run.link_fault) if run.link_fault else VirtualBench(twin, clock)
    wishes = Wishes(plan=_plan(run, boat), out=folder, until_first=run.until_first)
    verdict = run_on(api.Boat(boat.spec, boat.definitions), link, clock, wishes, adapter="virtual").verdict
    live = verdict_document(material_of(open_session(folder), boat, verdict))
    again = verdict_document(judge_it(open_session(folder), None)[1])
    return verdict.outcome, _text(live), _text(again)


def _plan(run: Run, boat: Boat) -> Plan:
    if run.plan == WALK:
        return make_walk(boat.spec, run.seed)
    return make_plan(boat.spec, seed=run.seed, short=run.plan == SHORT)


def _text(document: object) -> str:
    return json.dumps(document, indent=1, ensure_ascii=False)


def sample_recordings() -> Iterator[tuple[str, str, str]]:
    """Name, the verdict that was written when it was recorded, and the one that it gives now."""
    for folder in sorted(p for p in RECORDINGS.iterdir() if p.is_dir()):
        written = json.loads((folder / "verdict.json").read_text(encoding="utf-8"))
        yield folder.name, _text(written), _text(verdict_document(judge_it(open_session(folder), None)[1]))


def difference(live: str, again: str) -> str:
    """The first line that differs; empty where none does."""
    for a, b in zip(live.splitlines(), again.splitlines(), strict=False):
        if a != b:
            return f"live {a.strip()[:100]}, from the recording {b.strip()[:100]}"
    return "" if live == again else "one is longer than the other"


def study(sample: float = 1.0) -> Page:
    """Random runs of all boats, and the recordings that are shipped."""
    count = max(len(BOATS), round(RUNS * sample))
    ended: dict[str, Counter[str]] = {t: Counter() for t in TROUBLES}
    wrong: list[str] = []
    for n in range(count):
        run = random_run(BOATS[n % len(BOATS)], n)
        with tempfile.TemporaryDirectory() as folder:
            outcome, live, again = both(run, Path(folder) / "session")
        ended[run.trouble].update(["runs", outcome])
        if live != again:
            wrong.append(f"{run.words()}: {difference(live, again)}")
    shipped = list(sample_recordings())
    wrong += [f"{name}: {difference(a, b)}" for name, a, b in shipped if a != b]
    rows = [[t, *(c[w] for w in ("runs", PASS, FAIL, INCONCLUSIVE))] for t, c in ended.items()]
    total = count + len(shipped)
    summary = (
        f"{total - len(wrong)} of {total} agree to the letter: {count} random runs and "
        f"{len(shipped)} shipped recordings"
    )
    return Page(
        "live", "Live and from the recording", _ABOUT, not wrong, _with(summary, wrong), _tables(rows)
    )


_ABOUT = (
    "Random walks, full and short plans on virtual boxes, most of them with a fault: of a kind that is "
    "seeded, a single edit of the box's tables, of the link for a while, or both; some runs end at the first "
    "discrepancy. The verdict reached during the run and the one that its recording alone gives are compared "
    "as documents, with every discrepancy, doubt, figure and instant in them. Of the shipped recordings the "
    "verdict that was written beside them is compared with the one they give now."
)


def _with(summary: str, wrong: Sequence[str]) -> str:
    return f"{summary}; not: {'; '.join(wrong[:10])}" if wrong else summary


def _tables(rows: Sequence[Sequence[object]]) -> tuple[Table, ...]:
    return (Table(("fault of", "runs", "pass", "fail", "inconclusive"), rows, "Random runs."),)
