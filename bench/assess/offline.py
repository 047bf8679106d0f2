"""Judging a recorded session by what lies in it."""

from __future__ import annotations

from bench.core.model import Model
from bench.core.verdict import Doubt, Verdict
from bench.definitions import Definitions
from bench.session import Session
from bench.spec.model import Spec
from bench.spec.profile import BenchProfile

from .assessor import FOREIGN_JITTER_MS, Assessor


def assess_session(
    session: Session,
    spec: Spec,
    definitions: Definitions,
    model: Model,
    *,
    jitter_ms: float | None = None,
    profile: BenchProfile | None = None,
) -> Verdict:
    """The verdict on a recording.

    A session of our own carries its jitter; for a foreign recording it is declared by `jitter_ms`
    (None: 20 ms). Bad records make the verdict inconclusive unless something failed.
    """
    own = bool(session.header)
    declared = None if own else (FOREIGN_JITTER_MS if jitter_ms is None else jitter_ms)
    not_tested = session.header.get("not_tested") if own else None
    assessor = Assessor(
        spec, definitions, model, jitter_ms=declared, profile=profile, not_tested=not_tested or {}
    )
    for entry in session.entries():
        assessor.feed(entry)
    for bad in session.bad[:20]:
        assessor.doubts.append(
            Doubt(assessor.t_ns, "recording", f"{bad.path}:{bad.line}: {bad.reason}: {bad.text[:60]!r}")
        )
    if session.cut:
        assessor.doubts.append(Doubt(assessor.t_ns, "recording", f"it was cut: {session.cut}"))
    return assessor.finish()
