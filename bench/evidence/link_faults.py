"""Random faults of the link during runs: no wrong pass or fail, and conclusive where nothing was missed."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bench.core.clock import VirtualClock
from bench.core.entry import Entry
from bench.core.event import PRESS, RELEASE, WAKE
from bench.core.frame import TX, Frame
from bench.core.verdict import FAIL, INCONCLUSIVE, PASS, Verdict
from bench.evidence import port_faults
from bench.evidence.page import Page, Table
from bench.lab.api import boat_tables, load_boat
from bench.lab.one_fault import DIES, HELD, KINDS, LATE, SILENT, FaultyBench, LinkFault
from bench.lab.virtual import START_NS, VirtualBench
from bench.lab.walk import make_walk
from bench.run.api import Boat, Wishes, run_on
from bench.twin import Fault, Twin, fault_kinds

BOATS = ("kittiwake", "dunlin", "fulmar")
INJECTIONS, ON_PORTS = 1000, 50
PLANS = 20  # different walks and box faults; each meets many link faults
CONCLUSIVE_SHARE = 0.6
MS = 1_000_000
SPANS_MS = dict.fromkeys(KINDS, (20, 400)) | {SILENT: (600, 2000), LATE: (15, 300), HELD: (50, 400)}


@dataclass(frozen=True, slots=True)
class Sound:
    """A run on a sound link: its verdict, the instants of its stimuli, and its end."""

    boat: Boat
    seed: int
    faults: tuple[Fault, ...]
    subjects: tuple[str, ...]
    verdict: Verdict
    stimuli_ns: tuple[int, ...]
    ended_ns: int

    def is_outside(self, fault: LinkFault) -> bool:
        """No stimulus' window (until the box has answered and settled) touches the link's fault."""
        if fault.kind == DIES:
            return fault.from_ns >= self.ended_ns
        reach_ns = max(round((b.respond_ms + b.settle_ms) * MS) for b in self.boat.spec.boxes.values())
        return not any(t < fault.until_ns and fault.from_ns < t + reach_ns for t in self.stimuli_ns)


class _Listening(VirtualBench):
    """Remembers what went out; decoding has a memory, so it waits until after the run."""

    def __init__(self, twin: Twin, clock: VirtualClock) -> None:
        super().__init__(twin, clock)
        self.out: list[tuple[int, Frame | None]] = []

    def _do(self, t_ns: int, number: int, what: Frame | tuple[str, bool], out: list[Entry]) -> None:
        self.out.append((t_ns, what if isinstance(what, Frame) else None))
        super()._do(t_ns, number, what, out)

    def stimuli_ns(self, boat: Boat) -> tuple[int, ...]:
        """When the box was asked for something, or its supply switched."""
        boat.definitions.forget()
        return tuple(t for t, frame in self.out if frame is None or is_stimulus(boat, frame))


def is_stimulus(boat: Boat, frame: Frame) -> bool:
    """Whether a frame of ours asks the box for something."""
    reading = boat.definitions.decode(frame._replace(direction=TX))
    return reading is not None and any(e[0] in (PRESS, RELEASE, WAKE) for e in reading.events)


def sound_run(number: int) -> Sound:
    """The `number`th walk: every other one on a box with a fault of its own."""
    name = BOATS[number % len(BOATS)]
    boat = load_boat(name)
    faults, subjects = _box_fault(name, number)
    clock = VirtualClock(START_NS)
    link = _Listening(_twin(boat, number, faults), clock)
    verdict = run_on(boat, link, clock, Wishes(plan=make_walk(boat.spec, number)), adapter="virtual").verdict
    return Sound(boat, number, faults, subjects, verdict, link.stimuli_ns(boat), clock.now_ns())


def _box_fault(name: str, number: int) -> tuple[tuple[Fault, ...], tuple[str, ...]]:
    if number % 2 == 0:
        return (), ()
    kinds = [k for k in fault_kinds().values() if name in k.expected and k.expected[name].outcome == FAIL]
    kind = kinds[number * 7 % len(kinds)]
    return (Fault(kind.kind),), tuple(kind.expected[name].subjects)


def _twin(boat: Boat, seed: int, faults: Sequence[Fault]) -> Twin:
    tables = boat_tables(boat.spec.boat.name)
    return Twin(tables, seed=seed, faults=tuple(faults), start_ns=START_NS, powered=False)


def random_fault(sound: Sound, chance: random.Random) -> LinkFault:
    """Of any kind, anywhere in the run."""
    return random_fault_within(sound.ended_ns, chance)


def random_fault_within(until_ns: int, chance: random.Random) -> LinkFault:
    """Of any kind, anywhere from the beginning to an instant."""
    kind = chance.choice(KINDS)
    from_ns = chance.randrange(START_NS + 500 * MS, until_ns)
    least_ms, most_ms = SPANS_MS[kind]
    return LinkFault(kind, from_ns, from_ns + chance.randint(least_ms, most_ms) * MS)


def faulty_run(sound: Sound, fault: LinkFault) -> tuple[Verdict, FaultyBench]:
    """The same run over a link with this fault."""
    boat = sound.boat
    boat.definitions.forget()
    clock = VirtualClock(START_NS)
    link = FaultyBench(_twin(boat, sound.seed, sound.faults), clock, fault)
    plan = make_walk(boat.spec, sound.seed)
    return run_on(boat, link, clock, Wishes(plan=plan), adapter="virtual").verdict, link


def what_is_wrong(sound: Sound, verdict: Verdict, unsent: Sequence[Frame]) -> str:
    """Empty, or why this verdict must not have been reached. `unsent`: frames that did not reach the box."""
    if verdict.outcome == INCONCLUSIVE:
        return "" if verdict.doubts and all(d.reason for d in verdict.doubts) else "no reason given"
    if verdict.outcome == PASS:
        if sound.verdict.outcome == FAIL:
            return "passes where the sound link shows a failure"
        return "passes though a stimulus was not sent" if _missed(sound, unsent) else ""
    known = {d.subject for d in sound.verdict.discrepancies} | set(sound.subjects)
    known |= {c.subject for d in sound.verdict.discrepancies for c in d.consequences}
    found = [d.subject for d in verdict.discrepancies if d.subject not in known and "*" not in known]
    if not sound.faults or found:
        return f"fails on {', '.join(found) or 'a healthy box'}"
    return ""


def _missed(sound: Sound, unsent: Sequence[Frame]) -> bool:
    return any(is_stimulus(sound.boat, frame) for frame in unsent)


def study(sample: float = 1.0) -> Page:
    """Random link faults in runs on healthy and faulty boxes. A quarter of an hour at full size."""
    count = max(8, round(INJECTIONS * sample))
    chance = random.Random(5)
    sounds = [sound_run(n) for n in range(max(2, min(PLANS, count // 4)))]
    ended: dict[str, Counter[str]] = {kind: Counter() for kind in KINDS}
    wrong: list[str] = []
    outside = conclusive = 0
    for n in range(count):
        sound = sounds[n % len(sounds)]
        fault = random_fault(sound, chance)
        verdict, link = faulty_run(sound, fault)
        ended[fault.kind].update(["runs", verdict.outcome, "met"] if link.met else ["runs", verdict.outcome])
        if why := what_is_wrong(sound, verdict, link.unsent):
            at_s = (fault.from_ns - START_NS) / 1e9
            wrong.append(f"{sound.boat.spec.boat.name} {sound.seed}: {fault.kind} at {at_s:.3f} s {why}")
        if sound.verdict.outcome != INCONCLUSIVE and sound.is_outside(fault):
            outside += 1
            conclusive += verdict.outcome != INCONCLUSIVE
    share = conclusive / outside if outside else 0.0
    ports = max(2, round(ON_PORTS * sample))
    real: dict[str, Counter[str]] = {kind: Counter() for kind in port_faults.KINDS}
    for n, found in enumerate(port_faults.on_ports(ports)):
        real[found.kind].update(["runs", found.outcome, "met"] if found.met else ["runs", found.outcome])
        wrong += [f"run {n} on a port: {found.kind}: {found.wrong}"] if found.wrong else []
    summary = (
        f"{count} faults of the link in virtual time and {ports} on a pseudo-terminal, {len(wrong)} wrong "
        f"verdicts; of {outside} outside the judged windows "
        f"{100 * share:.0f} % end conclusive (aim {100 * CONCLUSIVE_SHARE:.0f} %)"
    )
    if wrong:
        summary += ": " + "; ".join(wrong[:10])
    about = (
        "Random walks on healthy boxes and on boxes with a fault of their own, each over a link that "
        "fails once, in one way, anywhere in the run. A healthy box must not fail, a failure must name "
        "what also deviates on a sound link or was named beforehand, and a pass must not hide one. Outside "
        "the judged windows: the fault lies in no span from a stimulus until the box has answered and "
        "settled. On the pseudo-terminal: short runs in real time, whose adapter fails once."
    )
    holds = not wrong and (share >= CONCLUSIVE_SHARE or outside < 20)
    tables = _table("virtual time", ended), _table("on a pseudo-terminal", real)
    return Page("link_faults", "Faults of the link", about, holds, summary, tables)


def _table(where: str, ended: Mapping[str, Counter[str]]) -> Table:
    rows = [[k, *(c[w] for w in ("runs", "met", PASS, FAIL, INCONCLUSIVE))] for k, c in ended.items()]
    return Table((f"fault of the link, {where}", "runs", "that it touched", PASS, FAIL, INCONCLUSIVE), rows)
