"""`--require`: what must have been tested for a pass to be a pass."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

from bench.cli.parser import nearest
from bench.core.errors import Complaint, UsageError
from bench.core.verdict import INCONCLUSIVE, PASS, Doubt, Verdict


@dataclass(frozen=True, slots=True)
class Requirement:
    """`share_pct` of all circuits, and every one of `names` (circuits or controls)."""

    share_pct: float = 0.0
    names: tuple[str, ...] = ()


def parse_require(text: str, circuits: Collection[str], controls: Collection[str]) -> Requirement:
    """From `95%`, `horn,bilge_aft` or both in one list.

    Raises: UsageError for a share outside 0..100 % and for a name the spec does not have.
    """
    share, names, complaints = 0.0, [], []
    for item in filter(None, (part.strip() for part in text.split(","))):
        if item.endswith("%"):
            try:
                share = float(item[:-1])
            except ValueError:
                share = -1.0
            if not 0 <= share <= 100:
                complaints.append(Complaint(f"--require {item} is no share", expected="0% to 100%"))
        elif item in circuits or item in controls:
            names.append(item)
        else:
            right = nearest(item, [*circuits, *controls])
            advice = f"did you mean {right}?" if right else ""
            complaints.append(
                Complaint(f"--require {item}: the spec has no such circuit or control", advice=advice)
            )
    if not share and not names and not complaints:
        expected = "a share such as 95%, or names of circuits and controls"
        complaints.append(Complaint("--require requires nothing", expected=expected))
    if complaints:
        raise UsageError(complaints)
    return Requirement(share, tuple(names))


def with_requirement(
    verdict: Verdict, requirement: Requirement, circuits: Collection[str], t_ns: int
) -> Verdict:
    """The verdict, a pass turned inconclusive where less was tested than required.

    A circuit counts when it was tested, in full, and nothing about it was left in doubt.
    """
    doubted = {doubt.subject for doubt in verdict.doubts} | set(verdict.not_tested)
    tested = [name for name in circuits if name in verdict.tested and name not in doubted]
    doubts = []
    if len(tested) * 100 < requirement.share_pct * len(circuits):
        text = (
            f"{len(tested)} of {len(circuits)} circuits were tested, {requirement.share_pct:g} % are required"
        )
        doubts.append(Doubt(t_ns, "", text))
    doubts += [
        Doubt(t_ns, name, "required, but not tested")
        for name in requirement.names
        if name not in verdict.tested or name in doubted
    ]
    if not doubts:
        return verdict
    outcome = INCONCLUSIVE if verdict.outcome == PASS else verdict.outcome
    return replace(verdict, outcome=outcome, doubts=(*doubts, *verdict.doubts))
