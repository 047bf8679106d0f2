"""Judging a recorded session by what lies in it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from bench.core.model import Model
from bench.core.verdict import Verdict
from bench.definitions import Definitions
from bench.session import Session
from bench.spec.model import Spec
from bench.spec.profile import BenchProfile

from .assessor import Assessor

FOREIGN_JITTER_MS = 20.0  # declared for a recording that brings no evidence of its own
MOST_BAD_SHOWN = 20


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
    not_tested, odd = _not_tested(session.header)
    assessor = Assessor(spec, definitions, model, jitter_ms=declared, profile=profile, not_tested=not_tested)
    for entry in session.entries():
        assessor.feed(entry)
    for bad in session.bad[:MOST_BAD_SHOWN]:
        text = f"{bad.path}:{bad.line}: {bad.reason}" + (f": {bad.text[:60]!r}" if bad.text else "")
        assessor.findings.doubt("recording", text, assessor.t_ns)
    if session.bad_count > MOST_BAD_SHOWN:
        more = session.bad_count - MOST_BAD_SHOWN
        assessor.findings.doubt("recording", f"{more} more lines that cannot be read", assessor.t_ns)
    if odd:
        assessor.findings.doubt("recording", odd, assessor.t_ns)
    if session.cut:
        assessor.findings.doubt("recording", f"it was cut: {session.cut}", assessor.t_ns)
    return assessor.finish()


def _not_tested(header: Mapping[str, Any]) -> tuple[dict[str, str], str]:
    """What the run left out by intention, and what is wrong with how session.json says it."""
    found = header.get("not_tested", {})
    if isinstance(found, Mapping) and all(isinstance(v, str) for v in found.values()):
        return dict(found), ""
    return {}, "session.json does not say in words what was left out (not_tested)"
