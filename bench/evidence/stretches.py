"""Judging by stretches says what judging frame by frame says, to the letter."""

from __future__ import annotations

import random
import tempfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from bench.assess.assessor import Assessor
from bench.assess.offline import CHUNK, WHOLE, Part, assessor_of, tell
from bench.core.frame import RX, Frame
from bench.core.verdict import FAIL
from bench.evidence.page import Page, Table
from bench.evidence.walks import walked
from bench.lab.api import load_boat
from bench.lab.walk import Kinds
from bench.oracle import Oracle
from bench.run.api import Boat
from bench.session import format_frame, open_session
from bench.twin import Fault, fault_kinds

BOATS = ("kittiwake", "dunlin", "fulmar")
WALKS = 60  # per boat
BATCHES = (250, 1_000, CHUNK)  # frames at a time
JITTERS_MS = (0.0, 3.0, 3.0, 12.0)
NO_SUPPLY = Kinds(supply=0.0, wake=0.0)
ONE_SUPPLY = Kinds(one_supply=0.3)
KINDS = (
    "healthy",
    "with a fault",
    "supplies and wake-ups",
    "frames missing",
    "bad lines",
    "stamps step back",
)
AWAKE_NS = 4_000_000_000


@dataclass(slots=True)
class Tally:
    """What came of one kind of recording."""

    judged: int = 0
    frames: int = 0
    passed: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    alarms: list[str] = field(default_factory=list)


def recording(boat: Boat, seed: int, kind: str, chance: random.Random) -> tuple[list[str], float]:
    """Lines of a random walk as another logger writes them, and its jitter in milliseconds."""
    faults: Sequence[Fault] = ()
    if kind == "with a fault":
        name = boat.spec.boat.name.lower()
        known = [(k.kind, k.expected[name].argument) for k in fault_kinds().values() if name in k.expected]
        faults = (Fault.parse(":".join(chance.choice(known))),)
    kinds = ONE_SUPPLY if kind == "supplies and wake-ups" else NO_SUPPLY
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "session"
        walked(boat, seed, kinds=kinds, faults=faults, out=out)
        frames = [e for e in open_session(out).entries() if isinstance(e, Frame)]
    if kinds is NO_SUPPLY:
        frames = [f for f in frames if f.t_ns >= frames[0].t_ns + AWAKE_NS]
    jitter_ms = chance.choice(JITTERS_MS)
    frames = late(frames, jitter_ms, chance)
    if kind == "frames missing":
        frames = [f for f in frames if chance.random() > 0.0005]
    lines = [format_frame(f) for f in frames]
    if kind == "bad lines":
        for n in range(len(lines)):
            if chance.random() < 0.0005:
                lines[n] = odd_line(frames[n], chance)
    if kind == "stamps step back":
        at = chance.randrange(len(lines) - 60)
        lines.insert(at, lines.pop(at + chance.randrange(1, 60)))
    return lines, jitter_ms


def late(frames: Sequence[Frame], jitter_ms: float, chance: random.Random) -> list[Frame]:
    """Received frames, each stamped late by its own amount; of one identifier the order stays."""
    out, last_ns = [], dict[int, int]()
    for frame in frames:
        t_ns = frame.t_ns + (chance.randrange(round(jitter_ms * 1e6)) // 1000 * 1000 if jitter_ms else 0)
        t_ns = last_ns[frame.can_id] = max(t_ns, last_ns.get(frame.can_id, 0) + 1000)
        out.append(frame._replace(t_ns=t_ns, direction=RX))
    return sorted(out, key=lambda f: f.t_ns)


def odd_line(frame: Frame, chance: random.Random) -> str:
    """Something other than a data frame of the box: rubbish, strange lengths, remote and FD frames."""
    at, can_id = f"({frame.t_ns / 1e9:.6f}) can0", f"{frame.can_id:08X}"
    return chance.choice(
        [
            "rubbish\n",
            f"{at} {can_id}#R R\n",
            f"{at} {can_id}#0102 R\n",
            f"{at} 1AB#0102 R\n",
            f"{at} 1AB##10102 R\n",
            f"{at} {can_id}#FFFFFFFFFFFFFFFF R\n",
        ]
    )


def believed(assessor: Assessor) -> str:
    """Everything that an assessor knows at its end, in words."""
    judge = assessor.judge
    assert judge is not None
    bus = assessor.ears.bus
    return repr(
        (
            assessor.finish(),
            (assessor.frames, assessor.samples, assessor.t_ns),
            sorted(assessor.frame_of.items()),
            sorted(assessor.message_ns.items()),
            sorted(assessor.reported.items()),
            [(n.name, n.frames, n.last_ns, n.before_ns, n.longest_gap_ns) for n in bus.nodes.values()],
            [(m.name, m.last_ns, m.counter, m.same) for m in bus.messages.values()],
            [(c.rule.signal, c.shown, c.undecided) for c in judge.currents.values()],
        )
    )


def judged(
    boat: Boat, path: Path, jitter_ms: float, part: Part = WHOLE, *, many: bool, rows: int = CHUNK
) -> Assessor:
    """An assessor that was told the recording, by stretches of at most `rows` or frame by frame."""
    boat.definitions.forget()
    session = open_session(path)
    assessor = assessor_of(session, boat.spec, boat.definitions, Oracle(boat.spec), jitter_ms=jitter_ms)
    tell(session, assessor, boat.definitions, jitter_ms=jitter_ms, part=part, many=many, rows=rows)
    return assessor


def one(boat: Boat, seed: int, kind: str, tally: Tally) -> None:
    """Judges one recording both ways."""
    chance = random.Random(f"stretches {boat.spec.boat.name} {kind} {seed}")
    lines, jitter_ms = recording(boat, seed, kind, chance)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "trace.log"
        path.write_text("".join(lines), encoding="ascii")
        part = WHOLE
        if chance.random() < 0.2:
            stamps = [e.t_ns for e in open_session(path).entries() if isinstance(e, Frame)]
            a, b = sorted(chance.choices(stamps, k=2))
            part = Part(a, b)
        jitter_ms = max(jitter_ms, 1.0)
        plain = judged(boat, path, jitter_ms, part, many=False)
        quick = judged(boat, path, jitter_ms, part, many=True, rows=chance.choice(BATCHES))
    tally.judged += 1
    tally.frames += len(lines)
    tally.passed += quick.passed_over
    tally.outcomes[plain.finish().outcome] += 1
    if plain.judge is None or believed(plain) != believed(quick):
        tally.wrong.append(f"{boat.spec.boat.name} {seed}")
    if kind != "with a fault" and plain.finish().outcome == FAIL:
        tally.alarms.append(f"{boat.spec.boat.name} {seed}")


def study(sample: float = 1.0) -> Page:
    """Judges random walks of every kind both ways."""
    tallies = {kind: Tally() for kind in KINDS}
    for name in BOATS:
        boat = load_boat(name)
        for n in range(max(len(KINDS), round(WALKS * sample))):
            kind = KINDS[n % len(KINDS)]
            one(boat, 7000 + n, kind, tallies[kind])
    wrong = [w for t in tallies.values() for w in t.wrong]
    rows: list[list[object]] = [
        [
            kind, t.judged, t.frames, f"{t.passed / max(t.frames, 1):.0%}",
            *(t.outcomes[o] for o in ("pass", "inconclusive", "fail")), "; ".join(t.wrong) or "-",
            "; ".join(t.alarms) or "-",
        ]
        for kind, t in tallies.items()
    ]  # fmt: skip
    judged_ = sum(t.judged for t in tallies.values())
    alarms = sum(len(t.alarms) for t in tallies.values())
    summary = (
        f"{judged_ - len(wrong)} of {judged_} recordings judged alike to the letter; {alarms} false alarms"
    )
    about = (
        "Random walks on virtual boxes, made recordings of another logger, judged frame by frame and by "
        "stretches in which nothing is new. Compared: the verdict with all its words and instants, and all "
        "that is known at the end (last frames, counters, gaps, values reported, currents counted). A fifth "
        "of them are judged in part only. Where no fault was put into the box there must be no failure, "
        "though this logger knows nothing of supplies that were switched."
    )
    header = (
        "recordings",
        "judged",
        "frames",
        "passed over",
        "pass",
        "inconclusive",
        "fail",
        "unlike",
        "false alarms",
    )
    return Page(
        "stretches", "Judging by stretches", about, not wrong and not alarms, summary, (Table(header, rows),)
    )
