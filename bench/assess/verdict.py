"""The end of an assessment: open ends become doubts, and the worst of everything is the verdict."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.core.verdict import FAIL, INCONCLUSIVE, PASS, Doubt, Verdict
from bench.judge import JUDGE_VERSION, Judge

from .timing import detection_limits

if TYPE_CHECKING:
    from .assessor import Assessor


HELD_UNSEEN = "none: what an adapter, hub or driver held back is blamed on the box; this link cannot tell"


def nothing_judged(t_ns: int) -> Verdict:
    """The verdict on a stream in which judging never began."""
    doubt = Doubt(t_ns, "session", "nothing was judged")
    return Verdict(INCONCLUSIVE, (), (doubt,), "nothing", judge_version=JUDGE_VERSION)


def reach_verdict(assessor: Assessor, judge: Judge) -> Verdict:
    """The verdict; nothing may be fed afterwards."""
    judge.finish()
    findings, coverage, spec = assessor.findings, assessor.coverage, assessor.spec
    findings.decide()
    _open_ends(assessor, judge)
    _currents(assessor, judge)
    assessor.witnessed.conclude(coverage)
    discrepancies = findings.folder.discrepancies()
    if not assessor.samples or not (coverage.controls or coverage.levels):
        ended = (
            "" if assessor.from_ns <= assessor.t_ns else ": the recording ends before the part to be judged"
        )
        findings.doubt("session", f"nothing was judged{ended}", max(assessor.t_ns, assessor.from_ns))
    outcome = FAIL if discrepancies else INCONCLUSIVE if findings.doubts else PASS
    not_tested = {**coverage.not_tested(spec), **assessor.not_tested}
    not_tested |= {f"current of {circuit}": why for circuit, why in assessor.no_current.items()}
    detection = detection_limits(assessor.rules)
    if not assessor.timely:
        detection["held frames"] = HELD_UNSEEN
    if assessor.witnessed.limit_words:
        detection["supply"] = assessor.witnessed.limit_words
    return Verdict(
        outcome=outcome,
        discrepancies=discrepancies,
        doubts=tuple(findings.doubts),
        scope=coverage.scope(spec),
        tested=coverage.tested(),
        not_tested=not_tested,
        known_from_ns=dict(assessor.known_from_ns),
        detection=detection,
        judged_samples=assessor.samples,
        judge_version=JUDGE_VERSION,
    )


TELLING = 4  # so many readings in a row near a limit are not so by their noise alone


def _currents(assessor: Assessor, judge: Judge) -> None:
    for current in judge.currents.values():
        circuit = current.rule.subject
        assessor.coverage.currents[circuit] = tuple(sorted(current.shown))
        for level, readings in current.undecided.items():
            if level not in current.shown and readings >= TELLING:
                why = f"its current at {level:g} % lies within the measurement uncertainty of a limit"
                assessor.findings.doubt(circuit, why, assessor.t_ns)


def _open_ends(assessor: Assessor, judge: Judge) -> None:
    findings, t_ns = assessor.findings, assessor.t_ns
    if assessor.own_session and assessor.ended is None and assessor.stopped_ns is None:
        findings.doubt("run", "the recording ends without an end mark", t_ns)
    for cluster in judge.clusters:
        names = ", ".join(cluster.circuits)
        if not cluster.nothing_owed():
            findings.doubt(names, "the recording ends before a change could be shown", t_ns)
        elif not findings.folder.groups and not cluster.known():
            lost = "was lost and not found again" if not cluster.worlds else "never became known"
            findings.doubt(names, f"its state {lost}", t_ns)
        if cluster.overflow_ns is not None and cluster.overflow_ns >= assessor.from_ns:
            findings.doubt(names, "too many possibilities to follow", cluster.overflow_ns)
