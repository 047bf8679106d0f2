"""A verdict with its accepted discrepancies set apart."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from bench.core.verdict import (
    FAIL,
    INCONCLUSIVE,
    PASS,
    Deviation,
    Discrepancy,
    Doubt,
    Tolerated,
    Verdict,
)
from bench.spec.accepted import Accepted

KIND = "accepted"


def with_accepted(
    verdict: Verdict, entries: Sequence[Accepted], today: str, t_ns: int, *, whole: bool = True
) -> Verdict:
    """Sets apart what `entries` accept on the day `today` (YYYY-MM-DD). `whole`: no mere part was judged.

    An entry accepts a discrepancy of its subject and kind all of whose deviations concern subjects that
    it names. An entry that has expired, or whose subject was tested and did not deviate so, is a
    discrepancy of its own, noticed at `t_ns`; one whose subject was not tested in full, or not beyond doubt,
    is a doubt.
    """
    left: list[Discrepancy] = []
    accepted: list[Tolerated] = []
    used: set[int] = set()
    for discrepancy in verdict.discrepancies:
        at = next((i for i, e in enumerate(entries) if _fits(e, discrepancy)), None)
        if at is not None:
            used.add(at)
        if at is None or entries[at].expires < today or _beyond(entries[at], discrepancy):
            left.append(discrepancy)
        else:
            entry = entries[at]
            accepted.append(Tolerated(discrepancy, entry.reason, entry.who, entry.expires))
    doubts = list(verdict.doubts)
    for i, entry in enumerate(entries):
        if entry.expires < today:
            left.append(_stale(entry, f"it expired on {entry.expires}", t_ns))
        elif i not in used and whole and _is_tested(entry.subject, verdict):
            left.append(_stale(entry, "it did not occur", t_ns))
        elif i not in used:
            why = f"whether it still is {entry.kind}, as was accepted, was not tested in full"
            doubts.append(Doubt(t_ns, entry.subject, why))
    numbered = tuple(replace(d, number=n) for n, d in enumerate(left, 1))
    outcome = FAIL if numbered else INCONCLUSIVE if doubts else PASS
    return replace(
        verdict, outcome=outcome, discrepancies=numbered, doubts=tuple(doubts), accepted=tuple(accepted)
    )


def _is_tested(subject: str, verdict: Verdict) -> bool:
    """Whether what was accepted of a subject would have shown: nothing of it was left out or in doubt."""
    left_out = re.compile(rf"(?<!\w){re.escape(subject)}(?!\w)")
    words = (*verdict.not_tested, *verdict.not_tested.values())
    return subject in verdict.tested and not verdict.doubts and not any(map(left_out.search, words))


def _fits(entry: Accepted, discrepancy: Discrepancy) -> bool:
    return (entry.subject, entry.kind) == (discrepancy.subject, discrepancy.root.kind)


def _beyond(entry: Accepted, discrepancy: Discrepancy) -> set[str]:
    """Subjects that deviated too, and that the entry does not name."""
    seen = {discrepancy.subject, *discrepancy.also, *(c.subject for c in discrepancy.consequences)}
    return seen - {entry.subject, *entry.also}


def _stale(entry: Accepted, seen: str, t_ns: int) -> Discrepancy:
    where = f"{entry.path}:{entry.line}"
    root = Deviation(
        kind=KIND,
        signal=f"accepted:{entry.subject}",
        subject=entry.subject,
        t_ns=t_ns,
        expected=f"{entry.kind}, as {entry.who} accepted: {entry.reason}",
        seen=seen,
        cause="nothing was done",
        evidence=f"the entry at {where}: take it out",
    )
    return Discrepancy(0, entry.subject, root)
