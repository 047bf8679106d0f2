"""Two records into one account: align, look at what was shown, test what was measured, decide."""

from __future__ import annotations

from collections.abc import Mapping

from bench.compare.align import align, unmatched
from bench.compare.facts import Facts
from bench.compare.measure import effects_of
from bench.compare.observe import Record
from bench.compare.result import CANNOT_TELL, DIFFERENT, METHODS, SAME, Comparison, Shift, Side
from bench.compare.shifts import currents, decided, delays, is_scarce, speeds
from bench.compare.step import in_step

SECONDARY = "control delay"  # sharpens what is found; a control pressed once takes nothing from "same"


def compare_records(a: Record, b: Record) -> Comparison:
    """What differs between two sessions. Both were read by specs that share their circuits' names."""
    pairs = align(a, b)
    steps = in_step(a, b, pairs)
    alike = [(p.a, p.b) for p in steps if p.is_alike]
    other = [(p.a, p.b) for p in steps if not p.is_alike]
    effects_a, effects_b = effects_of(a), effects_of(b)
    facts = Facts(a, b, effects_a, effects_b, [p for p in steps if p.is_alike])
    circuits = [c for c in a.spec.circuits if c in b.spec.circuits]
    differences = tuple(d for d in facts.found() if _is_shared(d.subject, a, b))
    amps, without_amps = currents(a, b, circuits)
    ramps, without_ramps = speeds(a, b, circuits)
    shifts = decided([*delays(a, b, effects_a, effects_b, alike), *amps, *ramps])
    switched = [c for c in circuits if _switches(a, c) and _switches(b, c)]
    left_out = {c: "not seen both off and on in both" for c in circuits if c not in switched}
    left_out |= dict.fromkeys(sorted(facts.blind), "something may have been lost while it was watched")
    left_out |= {**without_amps, **without_ramps}
    left_out |= {f"{s.family} of {s.subject} {s.about}": s.why for s in shifts if is_scarce(s)}
    doubts = _doubts(a, b, shifts, switched, facts)
    found = bool(differences) or any(s.verdict == DIFFERENT for s in shifts)
    outcome = DIFFERENT if found else CANNOT_TELL if doubts else SAME
    scope = f"{len(pairs)} of {max(len(a.stimuli), len(b.stimuli))} stimuli matched, "
    scope += f"{len(switched)} of {len(circuits)} circuits seen off and on in both"
    return Comparison(
        outcome,
        _side(a),
        _side(b),
        len(pairs),
        scope,
        differences,
        tuple(shifts),
        _named(a, unmatched(len(a.stimuli), [i for i, _ in pairs])),
        _named(b, unmatched(len(b.stimuli), [j for _, j in pairs])),
        _named(a, [i for i, _ in other]),
        tuple(doubts),
        left_out,
        METHODS,
    )


def _doubts(a: Record, b: Record, shifts: list[Shift], switched: list[str], facts: Facts) -> list[str]:
    doubts = [f"{side}: {text}" for side, r in (("A", a), ("B", b)) for text in r.doubts]
    if not switched:
        doubts.append("no circuit was seen off and on in both: nothing was compared")
    lost = sorted(facts.blind)
    if lost:
        doubts.append(f"something may have been lost while these were watched: {', '.join(lost)}")
    by_why: dict[str, list[str]] = {}
    told = {s.family for s in shifts if not is_scarce(s)}
    for s in shifts:
        if s.verdict == CANNOT_TELL and s.family != SECONDARY and not (is_scarce(s) and s.family in told):
            by_why.setdefault(f"{s.family}: {s.why}", []).append(f"{s.subject} {s.about}")
    doubts += [f"{why}: {', '.join(names)}" for why, names in by_why.items()]
    return doubts


def _switches(record: Record, circuit: str) -> bool:
    course = record.courses.get(f"state:{circuit}") or record.courses.get(f"level:{circuit}")
    return course is not None and len({bool(v) for v in course.values}) == 2


def _is_shared(subject: str, a: Record, b: Record) -> bool:
    def names(record: Record) -> Mapping[str, object]:
        spec = record.spec
        return {**spec.boxes, **spec.circuits, **spec.controls, **spec.panels, **spec.screens}

    return subject in names(a) and subject in names(b)


def _named(record: Record, numbers: list[int]) -> tuple[str, ...]:
    out = []
    for k in numbers:
        stimulus = record.stimuli[k]
        out.append(f"{(stimulus.t_ns - record.start_ns) / 1e9:.3f} s {stimulus.words()}")
    return tuple(out)


def _side(record: Record) -> Side:
    return Side(
        record.name,
        record.spec.boat.name,
        dict(record.identity),
        len(record.stimuli),
        record.jitter_ms,
        record.start_ns,
    )
