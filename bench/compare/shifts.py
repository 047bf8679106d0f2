"""Quantities of both sessions and the test of each: delays, currents, speeds of dimmers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf

from bench.compare import statistics as st
from bench.compare.measure import Delay, Effects, first_reports, ramp_speeds, report_delay, steady_currents
from bench.compare.observe import MS, Record
from bench.compare.result import CANNOT_TELL, DIFFERENT, FALSE_SHARE, SAME, WITHIN_RISK, Shift

MANY = 5  # samples, below which "the same" needs every one of them, or equivalence shown
FEWEST = {"current": 3, "dimming speed": 4}  # samples of each session, below which nothing is said; else 2
ENOUGH_P = FALSE_SHARE / 1000  # with so many samples no equivalence needs to be shown


@dataclass(frozen=True, slots=True)
class Answer:
    """Both sessions' delays in one matched pair, in ms, and how far B's lies above A's for certain: 0
    where reports that were held back leave room for equal delays."""

    a: float
    b: float
    apart: float


@dataclass(frozen=True, slots=True)
class Answers:
    """One matched stimulus: its control or sensor, each circuit's answer, and the first of any."""

    control: str
    circuits: dict[str, Answer]
    first: Answer


def delays(
    a: Record,
    b: Record,
    effects_a: Sequence[Effects],
    effects_b: Sequence[Effects],
    pairs: list[tuple[int, int]],
) -> list[Shift]:
    """Of each circuit, each control and each box, over matched stimuli in the same context."""
    rows: list[Answers] = []
    for i, j in pairs:
        if a.stimuli[i].doubt or b.stimuli[j].doubt or _blind(a, i) or _blind(b, j):
            continue
        first_a, first_b = first_reports(a, i, effects_a[i]), first_reports(b, j, effects_b[j])
        both = {c: _answer(first_a[c], first_b[c]) for c in first_a if c in first_b}
        if both:
            first = _answer(_any(a, effects_a[i], first_a), _any(b, effects_b[j], first_b))
            rows.append(Answers(a.stimuli[i].name, both, first))
    out: list[Shift] = []
    for box in a.spec.boxes.values():
        own = [r for r in rows if any(a.spec.circuits[c].box == box.name for c in r.circuits)]
        if own:
            floor = 2 * (a.jitter_ms + b.jitter_ms) + box.timing_ms.task
            out += _of_box(box.name, own, floor)
    return out


def _answer(a: Delay, b: Delay) -> Answer:
    least, most = (b[0] - a[1]) / MS, (b[1] - a[0]) / MS
    return Answer(a[1] / MS, b[1] / MS, max(least, min(0.0, most)))


def _any(record: Record, effects: Effects, reports: Mapping[str, Delay]) -> Delay:
    """The first report of any kind that answers the stimulus: state, level or lamp."""
    lamps = [report_delay(record, s, effects) for s in effects.changes if s.startswith("lamp:")]
    return min([*reports.values(), *lamps], key=lambda d: (d[1], -d[0]))


def _blind(record: Record, number: int) -> bool:
    start = record.stimuli[number].t_ns
    return bool(record.blind) and record.is_blind(start, start + 1000 * MS)


def _of_box(box: str, rows: list[Answers], floor: float) -> Iterator[Shift]:
    typical = [st.median([x.apart for x in r.circuits.values()]) for r in rows]
    whole = [r.first for r in rows]
    diffs = [x.apart for x in whole]
    base = _paired("box delay", box, "stimulus to first report", whole, floor, 0.0)
    base = replace(base, p=st.signed_rank_p(diffs), least_p=st.least_signed_p(len(diffs)))
    yield base
    is_late = abs(base.shift) > floor and base.p <= FALSE_SHARE
    centre, middle = (st.median(typical), st.median(diffs)) if is_late else (0.0, 0.0)
    for circuit in dict.fromkeys(c for r in rows for c in r.circuits):
        mine = [r.circuits[circuit] for r in rows if circuit in r.circuits]
        others = [d - centre for d, r in zip(typical, rows, strict=True) if circuit not in r.circuits]
        yield _against("circuit delay", circuit, "stimulus to first report", mine, others, centre, floor)
    for control in dict.fromkeys(r.control for r in rows):
        mine = [r.first for r in rows if r.control == control]
        others = [r.first.apart - middle for r in rows if r.control != control]
        yield _against("control delay", control, "to first report of anything", mine, others, middle, floor)


def _paired(
    family: str, subject: str, about: str, pairs: Sequence[Answer], floor: float, centre: float
) -> Shift:
    """`shift` and `farthest` are told beyond `centre`, what a box that is late as a whole moved."""
    a, b = [x.a for x in pairs], [x.b for x in pairs]
    own = [x.apart - centre for x in pairs]
    n = len(pairs)
    return Shift(
        family,
        subject,
        about,
        "ms",
        n,
        n,
        st.median(a),
        st.median(b),
        st.walsh_median(own),
        st.cliffs_delta(a, b),
        floor,
        p=1.0,
        least_p=1.0,
        farthest=max(abs(d) for d in own),
        seen=n,
    )


def _against(
    family: str,
    subject: str,
    about: str,
    mine: Sequence[Answer],
    others: Sequence[float],
    centre: float,
    floor: float,
) -> Shift:
    base = _paired(family, subject, about, mine, floor, centre)
    own = [x.apart - centre for x in mine]
    p, least_p = st.rank_sum_p(own, others), st.least_p(len(own), len(others))
    within_p = st.within_p(others, own, floor) if least_p > ENOUGH_P else None
    return replace(base, p=p, least_p=least_p, within_p=within_p)


def currents(a: Record, b: Record, circuits: Sequence[str]) -> tuple[list[Shift], dict[str, str]]:
    """Of each circuit at rest at levels the spec names, and why others were not compared."""
    out, left_out = [], {}
    for name in circuits:
        accuracy = a.spec.boxes[a.spec.circuits[name].box].current
        accuracy_b = b.spec.boxes[b.spec.circuits[name].box].current
        if accuracy is None or accuracy_b is None:
            left_out[f"current of {name}"] = "the spec does not say how well this box reports currents"
            continue
        own_a, own_b = steady_currents(a, name), steady_currents(b, name)
        step_pct = max(box.level_step_pct for box in a.spec.boxes.values())
        for level in sorted(_levels(a, name)):
            runs_a, runs_b = _near(own_a, level, step_pct), _near(own_b, level, step_pct)
            if not runs_a or not runs_b:
                if level:
                    left_out[f"current of {name} at {level:g} %"] = "not at rest there long enough in both"
                continue
            x, y = st.independent(runs_a, runs_b)
            every = [[v for run in runs for v in run] for runs in (runs_a, runs_b)]
            gain = accuracy.gain_pct * abs(st.median(x)) + accuracy_b.gain_pct * abs(st.median(y))
            floor = gain / 100 + accuracy.offset_a + accuracy_b.offset_a
            row = _two("current", name, f"at {level:g} %", "A", x, y, floor)
            out.append(replace(row, farthest=_farthest(*every), seen=min(map(len, every))))
    return out, left_out


def _farthest(x: Sequence[float], y: Sequence[float]) -> float:
    return max(max(y) - min(x), max(x) - min(y))


def _levels(record: Record, circuit: str) -> set[float]:
    presets = {f.presets[circuit] for f in record.spec.functions.values() if circuit in f.presets}
    woken = {w.level_pct for w in record.spec.wakes if circuit in w.circuits}
    return {0.0, 100.0} | presets | woken


def _near(by_level: Mapping[float, list[list[float]]], level: float, step_pct: float) -> list[list[float]]:
    return [run for own, runs in by_level.items() if abs(own - level) <= step_pct for run in runs]


def speeds(a: Record, b: Record, circuits: Sequence[str]) -> tuple[list[Shift], dict[str, str]]:
    """Of each dimmed circuit, and why others were not compared."""
    out, left_out = [], {}
    own_a, own_b = ramp_speeds(a), ramp_speeds(b)
    for name in circuits:
        if a.spec.circuits[name].dim is None:
            continue
        if name not in own_a or name not in own_b:
            left_out[f"dimming speed of {name}"] = "not seen dimming in both"
            continue
        (x, long_a), (y, long_b) = own_a[name], own_b[name]
        if not min(long_a, long_b):
            left_out[f"dimming speed of {name}"] = "stamps that stand still"
            continue
        middle = st.median(x)
        took_s = min(long_a, long_b) / 1e9
        step_pct = a.spec.boxes[a.spec.circuits[name].box].level_step_pct
        floor = middle * (2 * (a.jitter_ms + b.jitter_ms) / 1e3) / took_s + step_pct / took_s
        out.append(_two("dimming speed", name, "of its ramps", "%/s", x, y, floor))
    return out, left_out


def _two(
    family: str, subject: str, about: str, unit: str, x: list[float], y: list[float], floor: float
) -> Shift:
    least_p = st.least_p(len(x), len(y))
    return Shift(
        family,
        subject,
        about,
        unit,
        len(x),
        len(y),
        st.median(x),
        st.median(y),
        st.shift(x, y),
        st.cliffs_delta(x, y),
        floor,
        p=st.rank_sum_p(x, y),
        least_p=least_p,
        within_p=st.within_p(x, y, floor) if least_p > ENOUGH_P else None,
        farthest=inf,
        seen=min(len(x), len(y)),
    )


def decided(shifts: Sequence[Shift]) -> list[Shift]:
    """Each with its adjusted p and its verdict; families are adjusted apart."""
    out: list[Shift] = []
    for family in dict.fromkeys(s.family for s in shifts):
        own = [s for s in shifts if s.family == family]
        for row, p in zip(own, st.adjusted([s.p for s in own]), strict=True):
            out.append(_decide(replace(row, p_adjusted=p), len(own)))
    return out


def is_scarce(row: Shift) -> bool:
    """Whether there are so few samples that nothing was to be told from the start."""
    return row.seen < FEWEST.get(row.family, 2)


def _decide(row: Shift, tests: int) -> Shift:
    beyond, significant = abs(row.shift) > row.floor, row.p_adjusted <= FALSE_SHARE
    few = is_scarce(row)
    able = row.least_p <= FALSE_SHARE / tests and row.seen >= MANY
    if beyond and significant:
        return replace(row, verdict=DIFFERENT, why="more than noise, and above the floor")
    is_within = row.within_p is not None and row.within_p <= WITHIN_RISK
    if few or not (able or is_within or row.farthest <= row.floor):
        count = f"{row.n_a}" if row.n_a == row.n_b else f"{row.n_a} and {row.n_b}"
        return replace(row, verdict=CANNOT_TELL, why=f"too few samples ({count})")
    if beyond:
        return replace(row, verdict=CANNOT_TELL, why="a shift above the floor that may be noise")
    if significant and row.seen < MANY:
        why = f"no noise, but {row.seen} samples do not show whether it exceeds the floor"
        return replace(row, verdict=CANNOT_TELL, why=why)
    return replace(row, verdict=SAME, why="below the floor" if significant else "no more than noise")
