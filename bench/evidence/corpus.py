"""Noisy healthy traces raise no alarm; the same traces with one fault each do."""

from __future__ import annotations

import random
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from bench.assess import assess_session
from bench.core.frame import Frame
from bench.core.verdict import FAIL, Verdict
from bench.evidence.page import Page, Table
from bench.evidence.walks import walked
from bench.lab.alter import MS, Change, Trace
from bench.lab.api import load_boat
from bench.lab.walk import Kinds
from bench.oracle import Oracle
from bench.run.api import Boat
from bench.session import format_frame, open_session

BOATS = ("kittiwake", "dunlin", "fulmar")
TRACES = 402
JITTER_MS = 3.0  # each stamp is late by up to this, each by its own: frames change places
AWAKE_NS = 4_000 * MS
SETTLED_NS = 10_000 * MS  # changes are altered from here on
NO_SUPPLY = Kinds(supply=0.0, wake=0.0)
LATE_MS = (15.0, 20.0, 30.0, 50.0, 100.0, 200.0)  # beyond what the spec allows


@dataclass(slots=True)
class Tally:
    """What came of one kind of fault."""

    put_in: int = 0
    found: int = 0
    named: int = 0
    missed: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Altered:
    """A trace with one fault: its kind, where, and the frames."""

    kind: str
    change: Change
    frames: list[Frame]


def trace_of(boat: Boat, seed: int) -> Trace:
    """A healthy walk on the virtual box, from when it is awake."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "session"
        walked(boat, seed, kinds=NO_SUPPLY, out=out)
        frames = [e for e in open_session(out).entries() if isinstance(e, Frame)]
    begin_ns = frames[0].t_ns + AWAKE_NS
    return Trace([f for f in frames if f.t_ns >= begin_ns], boat.definitions)


def verdict_of(boat: Boat, frames: Sequence[Frame], chance: random.Random) -> Verdict:
    """The verdict on these frames as a recording of a logger whose stamps are late by up to JITTER_MS."""
    late, last_ns = [], dict[int, int]()  # of one identifier the order stays, as in any queue
    for frame in frames:
        t_ns = frame.t_ns + chance.randrange(round(JITTER_MS * MS)) // 1000 * 1000
        t_ns = last_ns[frame.can_id] = max(t_ns, last_ns.get(frame.can_id, 0) + 1000)
        late.append(frame._replace(t_ns=t_ns))
    late.sort(key=lambda f: f.t_ns)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "trace.log"
        path.write_text("".join(map(format_frame, late)), encoding="ascii")
        boat.definitions.forget()
        model = Oracle(boat.spec)
        return assess_session(open_session(path), boat.spec, boat.definitions, model, jitter_ms=JITTER_MS)


def alterations(boat: Boat, trace: Trace, chance: random.Random) -> Iterator[Altered]:
    """One fault of each kind, at a change drawn by chance."""
    from_ns = trace.frames[0].t_ns + SETTLED_NS
    timed = {name for name, circuit in boat.spec.circuits.items() if circuit.auto_off is not None}
    states, levels = (
        [c for c in trace.changes(kind, from_ns) if c.circuit not in timed] for kind in ("state", "level")
    )

    def limit_ns(change: Change) -> int:
        box = boat.spec.boxes[boat.spec.circuits[change.circuit].box]
        return change.cause_ns + round((box.respond_ms + box.shortest_press_ms) * MS)

    def late(change: Change) -> list[Frame]:
        return trace.late(change, limit_ns(change) + round(chance.choice(LATE_MS) * MS))

    faults: list[tuple[str, list[Change], Callable[[Change], list[Frame]]]] = [
        ("change late by the limit + 15 ms and more", states, late),
        ("change missing", states, trace.missing),
        ("change 50 ms before its cause", states, lambda c: trace.early(c, c.cause_ns - 50 * MS)),
        ("one wrong report", states, lambda c: trace.glitch(c, limit_ns(c) + 300 * MS)),
        ("chatter of 40 ms within the limit", states, trace.chatter),
        ("wrong level", levels, lambda c: trace.wrong(c, _other(boat, c))),
    ]
    for kind, changes, put in faults:
        if changes:
            change = chance.choice(changes)
            yield Altered(kind, change, put(change))


def _other(boat: Boat, change: Change) -> int:
    """A level at least a tenth away from the right one, and neither off nor out of range."""
    full = round(100.0 / boat.definitions.step_of(change.signal))
    away = full // 10
    return change.new - away if change.new >= 2 * away else change.new + away


def one(boat: Boat, seed: int, tallies: dict[str, Tally]) -> Verdict:
    """Judges one trace, as it is and with one fault of each kind."""
    chance = random.Random(f"corpus {boat.spec.boat.name} {seed}")
    trace = trace_of(boat, seed)
    clean = verdict_of(boat, trace.frames, chance)
    for altered in alterations(boat, trace, chance):
        verdict = verdict_of(boat, altered.frames, chance)
        tally = tallies.setdefault(altered.kind, Tally())
        tally.put_in += 1
        tally.found += verdict.outcome == FAIL
        circuit = altered.change.circuit
        tally.named += any(d.subject == circuit or circuit in d.also for d in verdict.discrepancies)
        if verdict.outcome != FAIL:
            at_s = (altered.change.t_ns - trace.frames[0].t_ns) / 1e9
            tally.missed.append(f"{boat.spec.boat.name} {seed}: {circuit} at {at_s:.3f} s")
    return clean


def study(sample: float = 1.0) -> Page:
    """Judges the traces of all boats."""
    count = max(3, round(TRACES * sample))
    tallies: dict[str, Tally] = {}
    rows: list[list[object]] = []
    alarms: list[str] = []
    for name in BOATS:
        boat = load_boat(name)
        outcomes: Counter[str] = Counter()
        samples = 0
        for seed in range(1, count // len(BOATS) + 1):
            verdict = one(boat, 5000 + seed, tallies)
            outcomes[verdict.outcome] += 1
            samples += verdict.judged_samples
            if verdict.discrepancies:
                alarms.append(f"{name} {5000 + seed}: {verdict.discrepancies[0].subject}")
        rows.append([name, sum(outcomes.values()), samples, *(outcomes[o] for o in ("pass", "inconclusive"))])
        rows[-1].append(outcomes[FAIL])
    found: list[list[object]] = [
        [kind, t.put_in, t.found, t.named, "; ".join(t.missed[:3]) or "-"] for kind, t in tallies.items()
    ]
    missed = sum(t.put_in - t.found for t in tallies.values())
    total = sum(int(str(r[2])) for r in rows)
    put_in = sum(t.put_in for t in tallies.values())
    summary = (
        f"{len(alarms)} false alarms in {total} values of {sum(int(str(r[1])) for r in rows)} healthy traces;"
        f" {put_in - missed} of {put_in} faults found"
    )
    if alarms:
        summary += f"; alarms: {'; '.join(alarms[:5])}"
    about = (
        "Random walks on healthy virtual boxes, with noise, recorded for some 40 s, then made a recording "
        f"of another logger: each stamp late by up to {JITTER_MS:g} ms, each by its own, so that frames of "
        "different identifiers change places. Judged as it is, and once for each kind of fault that is put "
        "in by rewriting frames: at a change drawn by chance among those with one press just before, nothing "
        "else done within 250 ms, a value that stood for 700 ms before and after, and no timer on the "
        "circuit. The limit is what the spec allows from the press to the report."
    )
    tables = (
        Table(("boat", "traces", "values judged", "pass", "inconclusive", "fail"), rows, "As they are."),
        Table(("fault", "put in", "found", "on its circuit", "not found"), found, "With one fault each."),
    )
    return Page("corpus", "Healthy and altered traces", about, not alarms and not missed, summary, tables)
