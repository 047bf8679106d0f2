"""Random walks: a healthy box never fails, however it is used, heard or begun to be judged."""

from __future__ import annotations

import random
import tempfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from bench.assess import Assessor, assess_session
from bench.core.clock import VirtualClock
from bench.core.entry import Entry, Started
from bench.core.event import PRESS, RELEASE, WAKE
from bench.core.frame import TX, Frame
from bench.core.verdict import FAIL, INCONCLUSIVE, PASS, Verdict
from bench.evidence.page import Page, Table
from bench.lab.api import boat_tables, load_boat
from bench.lab.shaky import ShakyBench, Trouble
from bench.lab.virtual import START_NS
from bench.lab.walk import Kinds, make_walk
from bench.oracle import Oracle
from bench.run.api import Boat, Wishes, run_on
from bench.session import open_session
from bench.twin import Fault, Twin, fault_kinds

BOATS = ("kittiwake", "dunlin", "fulmar")
WALKS, SHAKY, CUT, FAULTY = 120, 15, 10, 2  # walks per boat; per trouble; recordings cut; per fault kind
CUTS = 12
ONE_SUPPLY = Kinds(one_supply=0.4)
TROUBLES = {
    "frames lost, told": Trouble(drops=0.005),
    "sends refused": Trouble(refuses=0.05),
    "sends never confirmed": Trouble(mute_sends=0.05),
    "host late": Trouble(late=0.1),
    "silence of 2 s": Trouble(silent_s=12.0),
    "silence of 0.7 s": Trouble(silent_s=12.0, silence_s=0.7),
    "link dies": Trouble(dies_s=20.0),
    "all at once": Trouble(drops=0.001, refuses=0.01, late=0.02, silent_s=15.0),
}


@dataclass(frozen=True, slots=True)
class Walked:
    """A walk that was run. `troubles`: what went wrong with the link; `refused`: stimuli that did not
    reach the box."""

    verdict: Verdict
    troubles: int
    refused: int = 0


def walked(
    boat: Boat, seed: int, *, faults: Sequence[Fault] = (), trouble: Trouble | None = None,
    kinds: Kinds | None = None, out: Path | None = None,
) -> Walked:  # fmt: skip
    """One random walk on the boat's virtual box."""
    clock = VirtualClock(START_NS)
    tables = boat_tables(boat.spec.boat.name)
    twin = Twin(tables, seed=seed, faults=tuple(faults), start_ns=START_NS, powered=False)
    link = ShakyBench(twin, clock, trouble or Trouble(), seed)
    plan = make_walk(boat.spec, seed, kinds=kinds)
    result = run_on(boat, link, clock, Wishes(plan=plan, out=out), adapter="virtual")
    return Walked(result.verdict, sum(link.told.values()), sum(_is_stimulus(boat, f) for f in link.unsent))


def _is_stimulus(boat: Boat, frame: Frame) -> bool:
    reading = boat.definitions.decode(frame)
    return reading is not None and any(e[0] in (PRESS, RELEASE, WAKE) for e in reading.events)


def judged_again(boat: Boat, folder: Path) -> Verdict:
    """The verdict on a recorded walk."""
    boat.definitions.forget()
    return assess_session(open_session(folder), boat.spec, boat.definitions, Oracle(boat.spec))


def judged_from(boat: Boat, entries: Sequence[Entry], begin: int) -> Verdict:
    """The verdict when judging starts only at entry `begin`, with nothing known of what came before."""
    boat.definitions.forget()
    assessor = Assessor(boat.spec, boat.definitions, Oracle(boat.spec))
    started = next(e for e in entries if isinstance(e, Started))
    assessor.feed(started._replace(t_ns=entries[begin].t_ns))
    for entry in entries[begin:]:
        if not isinstance(entry, Started):
            assessor.feed(entry)
    return assessor.finish()


def beginnings(entries: Sequence[Entry], count: int, seed: int) -> list[int]:
    """Where to begin: half of them anywhere, half just after something was sent."""
    chance = random.Random(f"beginnings {seed}")
    first = next(i for i, e in enumerate(entries) if isinstance(e, Started)) + 1
    sent = [i + 1 for i, e in enumerate(entries[:-1]) if isinstance(e, Frame) and e.direction == TX]
    anywhere = [chance.randrange(first, len(entries) * 9 // 10) for _ in range(count - count // 2)]
    return anywhere + chance.sample([i for i in sent if i >= first], count // 2)


def reasons(verdict: Verdict) -> list[str]:
    """Kinds of reasons for its doubts, without names and numbers."""
    kinds = (
        ("measurement uncertainty", "current at a limit"), ("not agreed", "a box dark or waking"),
        ("lost at", "frames lost"), ("refused", "send refused"), ("never confirmed", "send not confirmed"),
        ("did not confirm", "send not confirmed"), ("not confirmed", "send not confirmed"),
        ("was late", "host late"), ("nothing was heard", "silence"), ("silen", "silence"),
        ("did not finish", "run cut short"), ("link was lost", "run cut short"),
        ("repetition", "repeated counter"),
        ("held already", "send not confirmed"), ("became known", "state not known"),
        ("not found again", "state not known"), ("before a change", "cut before a change"),
    )  # fmt: skip
    found = []
    for doubt in verdict.doubts:
        found.append(next((word for part, word in kinds if part in doubt.reason), doubt.reason))
    return list(dict.fromkeys(found))


def is_right(walk: Walked, *, shaky: bool = False) -> bool:
    """Never a fail; a doubt has its reason; no pass where a key's frame was refused."""
    verdict = walk.verdict
    if verdict.outcome == FAIL or verdict.discrepancies:
        return False
    if verdict.outcome == INCONCLUSIVE:
        return all(d.reason for d in verdict.doubts) and bool(verdict.doubts)
    return not (shaky and walk.refused)


def study(sample: float = 1.0) -> Page:
    """Healthy walks, walks over links in bad shape, late beginnings, and walks with every fault."""
    wrong: list[str] = []
    tables = (
        _healthy(_count(WALKS, sample), wrong),
        _shaky(_count(SHAKY, sample), wrong),
        _begun(_count(CUT, sample), wrong),
        _faulty(_count(FAULTY, sample), wrong),
    )
    walks = sum(int(str(row[1])) for table in tables for row in table.rows)
    summary = f"{walks} walks and beginnings, {len(wrong)} wrong verdicts"
    if wrong:
        summary += ": " + "; ".join(wrong[:20])
    about = (
        "Random presses, holds, sensors, losses of supply and wake-ups, many keys at once, at distances from "
        "the least that has a defined order upwards. A healthy box must never fail, whatever is done to it, "
        "to the link, or to the beginning of the recording; with a fault a pass is right where the walk "
        "did not meet it."
    )
    return Page("walks", "Random walks", about, not wrong, summary, tables)


def _count(full: int, sample: float) -> int:
    return max(1, round(full * sample))


def _words(counted: Counter[str]) -> str:
    return ", ".join(f"{word} {count}" for word, count in counted.most_common()) or "-"


def _healthy(count: int, wrong: list[str]) -> Table:
    rows: list[list[object]] = []
    for name in BOATS:
        boat = load_boat(name)
        for words, kinds in (("all supplies together", None), ("single supplies too", ONE_SUPPLY)):
            if kinds is not None and len(boat.spec.boxes) < 2:
                continue
            outcomes: Counter[str] = Counter()
            doubts: Counter[str] = Counter()
            samples = 0
            for seed in range(count):
                walk = walked(boat, seed, kinds=kinds)
                outcomes[walk.verdict.outcome] += 1
                doubts.update(reasons(walk.verdict))
                samples += walk.verdict.judged_samples
                if not is_right(walk):
                    wrong.append(f"{name} seed {seed} {words}: {walk.verdict.outcome}")
            row = [name, count, words, samples, outcomes[PASS], outcomes[FAIL], _words(doubts)]
            rows.append(row)
    header = ("boat", "walks", "supply", "values judged", "pass", "fail", "inconclusive, by reason")
    return Table(header, rows, "Healthy boxes, a sound link.")


def _shaky(count: int, wrong: list[str]) -> Table:
    rows: list[list[object]] = []
    for words, trouble in TROUBLES.items():
        outcomes: Counter[str] = Counter()
        doubts: Counter[str] = Counter()
        for name in BOATS:
            boat = load_boat(name)
            for seed in range(count):
                walk = walked(boat, seed, trouble=trouble)
                outcomes[walk.verdict.outcome] += 1
                doubts.update(reasons(walk.verdict))
                if not is_right(walk, shaky=True):
                    wrong.append(f"{name} seed {seed} {words}: {walk.verdict.outcome}")
        rows.append([words, count * len(BOATS), outcomes[PASS], outcomes[FAIL], _words(doubts)])
    note = "Healthy boxes, a link in bad shape. A pass is right where the trouble met no key and no box."
    return Table(("link", "walks", "pass", "fail", "doubts, by reason"), rows, note)


def _begun(count: int, wrong: list[str]) -> Table:
    rows: list[list[object]] = []
    for name in BOATS:
        boat = load_boat(name)
        outcomes: Counter[str] = Counter()
        for seed in range(count):
            with tempfile.TemporaryDirectory() as folder:
                session = Path(folder) / "session"
                walked(boat, seed, out=session)
                entries = list(open_session(session).entries())
            for begin in beginnings(entries, CUTS, seed):
                verdict = judged_from(boat, entries, begin)
                outcomes[verdict.outcome] += 1
                if verdict.outcome == FAIL:
                    wrong.append(f"{name} seed {seed} judged from entry {begin}: fail")
        rows.append([name, count * CUTS, outcomes[PASS], outcomes[INCONCLUSIVE], outcomes[FAIL]])
    header = ("boat", "beginnings", "pass", "inconclusive", "fail")
    return Table(header, rows, "Healthy recordings, judged from the middle on.")


def _faulty(count: int, wrong: list[str]) -> Table:
    rows: list[list[object]] = []
    for kind in fault_kinds().values():
        outcomes: Counter[str] = Counter()
        odd: list[str] = []
        here = {name: kind.expected[name] for name in BOATS if name in kind.expected}
        for name, expected in here.items():
            boat = load_boat(name)
            for seed in range(count):
                with tempfile.TemporaryDirectory() as folder:
                    session = Path(folder) / "session"
                    walk = walked(boat, seed, faults=(Fault(kind.kind),), out=session)
                    again = judged_again(boat, session)
                outcomes[walk.verdict.outcome] += 1
                if again != walk.verdict:
                    wrong.append(f"{name} {kind.kind} seed {seed}: live and later differ")
                roots = [d.subject for d in walk.verdict.discrepancies]
                others = [r for r in roots if r not in expected.subjects and "*" not in expected.subjects]
                odd += others if expected.subjects else roots
        runs = count * len(here)
        rows.append(
            [kind.kind, runs, outcomes[FAIL], outcomes[INCONCLUSIVE], outcomes[PASS], _words(Counter(odd))]
        )
    header = ("fault", "walks", "fail", "inconclusive", "pass", "roots beside those expected of a full plan")
    note = "Faulty boxes. Each walk is judged live and again from its recording; both must be equal."
    return Table(header, rows, note)
