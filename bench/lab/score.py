"""What a plan finds: every edit of the virtual box's tables, run and judged as on the bench."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from multiprocessing import get_context
from typing import NamedTuple

from bench.core.clock import cpu_ns
from bench.core.errors import Complaint, HardstandError, UsageError
from bench.core.plan import Plan
from bench.core.verdict import FAIL, PASS, Verdict
from bench.plan.lost import DIMMED, HELD, LOSS, MORE_HELD
from bench.run.api import Boat, Wishes
from bench.spec.model import Spec
from bench.twin import Fault, Tables
from bench.twin.edits import Together
from bench.twin.product import MOST_PAIRS, compare

from .api import run_virtual

WIRES = ("swapped_outputs", "swapped_alike")
HIDDEN = ("cross_talk", "stray_off", "after_keys")
FEW_PAIRS = 600  # of states: there are many such defects, and what is missed of them shows soon
CHUNK = 8  # edits handed to a process at a time


Edit = Fault | Together
NAMED = {  # kinds of losses -> where a plan says which it does not try
    "loss_ignored": (LOSS, HELD, MORE_HELD, DIMMED),
    "loss_time_wrong": (LOSS, HELD, MORE_HELD, DIMMED),
    "loss_momentary_flipped": (LOSS, HELD, MORE_HELD),
    "loss_dim_flipped": (LOSS, DIMMED),
    "loss_others_flipped": (LOSS,),
    "loss_sensor_wrong": (LOSS,),
}


class Scored(NamedTuple):
    """What came of one edit: `found` (a discrepancy), `doubted` (inconclusive, for `why`), `missed` (a pass;
    `why`: what would tell, where that is known), `alike` (a pass, where two loads draw the same and only
    their wires were exchanged), `left out` (a pass, of a loss that the plan says it does not try), `equal` (a
    pass, and nothing that can be done tells it from the box as it should be, for `why`) or `broken` (the run
    did not work, for `why`)."""

    fault: Edit
    outcome: str
    why: str = ""
    cpu_s: float = 0.0


@dataclass(slots=True)
class Score:
    """Outcomes by kind of edit."""

    counts: dict[str, Counter[str]] = field(default_factory=dict)
    unfound: list[Scored] = field(default_factory=list)
    cpu_s: dict[str, float] = field(default_factory=dict)  # by kind, of all processes

    def add(self, one: Scored) -> None:
        """Counts it; what was not found is kept."""
        self.counts.setdefault(one.fault.kind, Counter())[one.outcome] += 1
        self.cpu_s[one.fault.kind] = self.cpu_s.get(one.fault.kind, 0.0) + one.cpu_s
        if one.outcome != "found":
            self.unfound.append(one)

    def share(self, kind: str) -> float:
        """How much was found of what a report can show; what is in doubt is not found."""
        c = self.counts[kind]
        to_find = c.total() - c["alike"] - c["equal"]
        return c["found"] / to_find if to_find else 1.0

    def document(self) -> dict[str, object]:
        """As plain data."""
        return {
            "worst_kind": self.worst,
            "kinds": {kind: dict(c) for kind, c in self.counts.items()},
            "not_found": [
                [s.fault.kind, s.fault.argument, s.outcome, s.why]
                for s in self.unfound
                if s.outcome != "equal"
            ],
            "equal": [[s.fault.kind, s.fault.argument, s.why] for s in self.unfound if s.outcome == "equal"],
        }

    @property
    def worst(self) -> str:
        """The kind of which least was found; empty when there is none."""
        return min(self.counts, key=self.share, default="")

    @property
    def total(self) -> Counter[str]:
        """Over all kinds."""
        return sum(self.counts.values(), Counter())


_WORK: dict[str, object] = {}


def score(
    boat: Boat, tables: Tables, plan: Plan, edits: Iterable[Edit], *, processes: int, seed: int = 1
) -> Score:
    """Runs the plan against the virtual box with each edit in its tables, to the first discrepancy.

    Raises: UsageError when the box does not pass unedited: everything would count as found, or be in doubt.
    """
    refuse_unfit(boat, tables, plan, seed)
    out = Score()
    same = {frozenset((a.one, a.other)) for a in plan.alike}
    channels = _circuits(boat, tables)
    for one in _run(boat, tables, plan, list(edits), processes, seed):
        if one.outcome == "missed" and one.fault.kind in WIRES:
            pair = frozenset(channels.get(name.strip(), "") for name in one.fault.argument.split("/"))
            if pair in same:
                one = one._replace(outcome="alike")
        if one.outcome == "missed" and _is_left_out(boat.spec, plan, one.fault):
            one = one._replace(outcome="left out")
        out.add(one)
    return out


def _is_left_out(spec: Spec, plan: Plan, edit: Edit) -> bool:
    """Whether it is a loss that the plan names as not tested."""
    subject = edit.argument.partition("/")[0]
    sensors = {f"input {s.input}": f"sensor {s.name}" for s in spec.sensors.values()}
    wanted = f"{sensors.get(subject, subject)} "
    texts = (plan.not_tested.get(title, "").partition(": ")[2] for title in NAMED.get(edit.kind, ()))
    return any(f"{name} ".startswith(wanted) for text in texts for name in text.split(", "))


def refuse_unfit(boat: Boat, tables: Tables, plan: Plan, seed: int) -> None:
    """Runs the plan on the box as it is. Raises: UsageError when that is no pass."""
    wishes = Wishes(plan=plan, until_first=True)
    verdict = run_virtual(boat=boat, tables=tables, seed=seed, wishes=wishes).verdict
    if verdict.outcome != PASS:
        text = f"the virtual box {tables.name} does not pass as it is: {_why(verdict)}"
        advice = "mend its tables or the spec first: what fails already fails with every edit, too"
        raise UsageError(Complaint(text, path=tables.path, advice=advice))


def _why(verdict: Verdict) -> str:
    """The first thing that stands in the way of a pass."""
    if verdict.outcome == FAIL:
        found = verdict.discrepancies[0]
        return f"{found.subject}: expected {found.root.expected}, seen {found.root.seen}"
    doubt = verdict.doubts[0]
    return f"{doubt.subject} is inconclusive, because {doubt.reason}"


def _circuits(boat: Boat, tables: Tables) -> dict[str, str]:
    """`main 14` -> the circuit on that channel."""
    return {f"{c.box} {c.channel}": c.name for c in boat.spec.circuits.values()}


def _run(
    boat: Boat, tables: Tables, plan: Plan, edits: Sequence[Edit], processes: int, seed: int
) -> Iterator[Scored]:
    work: Mapping[str, object] = {"boat": boat, "tables": tables, "plan": plan, "seed": seed}
    _WORK.update(work)
    if processes <= 1:
        yield from map(_timed, edits)
        return
    with get_context("fork").Pool(processes) as pool:
        yield from pool.imap(_timed, edits, CHUNK)


def _timed(edit: Edit) -> Scored:
    began_ns = cpu_ns()
    return _one(edit)._replace(cpu_s=(cpu_ns() - began_ns) / 1e9)


def _one(fault: Edit) -> Scored:
    boat, tables, plan, seed = (_WORK[k] for k in ("boat", "tables", "plan", "seed"))
    assert isinstance(boat, Boat)
    assert isinstance(tables, Tables)
    assert isinstance(plan, Plan)
    assert isinstance(seed, int)
    boat.definitions.forget()
    faults = fault.faults if isinstance(fault, Together) else (fault,)
    try:
        wishes = Wishes(plan=plan, until_first=True)
        verdict = run_virtual(boat=boat, tables=tables, faults=faults, seed=seed, wishes=wishes).verdict
    except HardstandError as e:
        return Scored(fault, "broken", str(e))
    if verdict.outcome == PASS:
        return _unseen(fault, faults, tables)
    return Scored(fault, "found") if verdict.outcome == FAIL else Scored(fault, "doubted", _why(verdict))


def _unseen(edit: Edit, faults: Sequence[Fault], tables: Tables) -> Scored:
    """What the virtual boxes themselves, one with the edit and one without, say of it."""
    hides = any(f.kind in HIDDEN for f in faults)
    compared = compare(tables, faults, FEW_PAIRS if hides else MOST_PAIRS)
    if compared is None:
        return Scored(edit, "missed")
    return Scored(edit, "equal" if compared.equal else "missed", compared.words(tables))
