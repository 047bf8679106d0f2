"""Judging a recording by what lies in it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from bench.core.entry import Entry, Started
from bench.core.frame import Frame
from bench.core.model import Model
from bench.core.verdict import Verdict
from bench.definitions import Definitions
from bench.session import Session
from bench.session.early import causes_first, numbered
from bench.spec.model import Spec
from bench.spec.profile import BenchProfile

from .assessor import Assessor
from .interfaces import entries_of_one_interface, of_one_interface
from .joined import Recording

MS = 1_000_000
FOREIGN_JITTER_MS = 20.0  # declared for a recording that brings no evidence of its own
MOST_BAD_SHOWN = 20
CHUNK = 130_000  # frames


@dataclass(frozen=True, slots=True)
class Part:
    """What of a recording is judged: from the first instant to the last, each None for all of it.

    What lies before `from_ns` serves to know the state and is not judged.
    """

    from_ns: int | None = None
    to_ns: int | None = None

    def words(self, start_ns: int) -> str:
        """`from 12.000 s to the end`, counted from `start_ns`."""
        a = "the start" if self.from_ns is None else f"{(self.from_ns - start_ns) / 1e9:.3f} s"
        b = "the end" if self.to_ns is None else f"{(self.to_ns - start_ns) / 1e9:.3f} s"
        return f"from {a} to {b}"


WHOLE = Part()


def assess_session(
    session: Recording,
    spec: Spec,
    definitions: Definitions,
    model: Model,
    *,
    jitter_ms: float | None = None,
    profile: BenchProfile | None = None,
    part: Part = WHOLE,
) -> Verdict:
    """The verdict on a recording, or on a part of it.

    A session of our own carries its jitter; for a recording of another logger `jitter_ms` declares how
    late a stamp may be (None: 20 ms). Bad records make the verdict inconclusive unless something failed.
    """
    assessor = assessor_of(session, spec, definitions, model, jitter_ms=jitter_ms, profile=profile)
    tell(session, assessor, definitions, jitter_ms=jitter_ms, part=part)
    _doubt_the_recording(session, assessor, jitter_ms)
    verdict = assessor.finish()
    if part == WHOLE:
        return verdict
    return replace(verdict, scope=f"{part.words(first_ns(session))}: {verdict.scope}")


def assessor_of(
    session: Recording,
    spec: Spec,
    definitions: Definitions,
    model: Model,
    *,
    jitter_ms: float | None = None,
    profile: BenchProfile | None = None,
) -> Assessor:
    """An assessor that has been told nothing yet. `jitter_ms` as in `assess_session`."""
    declared = None if session.header else _declared(jitter_ms)
    not_tested, _ = _not_tested(session.header)
    made = Assessor(spec, definitions, model, jitter_ms=declared, profile=profile, not_tested=not_tested)
    if not _has_marks(session):
        made.findings.shift_ns = round(_declared(jitter_ms) * MS)
    return made


def first_ns(session: Recording) -> int:
    """The instant that reports count from: where judging starts, or another logger's first frame."""
    entries = session.line_by_line() if isinstance(session, Session) else session.entries()
    return next((e.t_ns for e in entries if isinstance(e, Started | Frame)), 0)


def tell(
    session: Recording,
    assessor: Assessor,
    definitions: Definitions,
    *,
    jitter_ms: float | None = None,
    part: Part = WHOLE,
    many: bool | None = None,
    rows: int = CHUNK,
) -> None:
    """Tells an assessor the recording, or the part of it. `many`: many frames at a time, `rows` of them,
    where that can be; None: as its size suggests. All come to the same."""
    began = part.from_ns is None

    def one(entry: Entry, number: int | None) -> bool:
        nonlocal began
        if part.to_ns is not None and entry.t_ns > part.to_ns:
            assessor.stop_at(part.to_ns)
            return False
        if not began and part.from_ns is not None and entry.t_ns >= part.from_ns:
            began = True
            assessor.judge_from(part.from_ns)
        assessor.feed(entry, number)
        return True

    if not (
        isinstance(session, Session)
        and not _has_marks(session)
        and (session.is_large if many is None else many)
        and _tell_many(session, assessor, definitions, one, round(_declared(jitter_ms) * MS), part, rows)
    ):
        for entry, number in _told(session, assessor, definitions, jitter_ms):
            if not one(entry, number):
                break
    if not began and part.from_ns is not None:
        assessor.judge_from(part.from_ns)


def _tell_many(
    session: Session,
    assessor: Assessor,
    definitions: Definitions,
    one: Callable[[Entry, int | None], bool],
    jitter_ns: int,
    part: Part,
    rows: int,
) -> bool:
    """Tells a recording of another logger many frames at a time. Always True."""
    from .skim import Skim
    from .told import Teller

    chunks = of_one_interface(session.chunks(rows), definitions, session)
    teller = Teller(definitions, jitter_ns)
    borders_ns = [t for t in (part.from_ns, part.to_ns and part.to_ns + 1) if t is not None]
    more = Skim(assessor, definitions, one, borders_ns).tell(teller.batches(chunks))
    if more and teller.unsound:
        rest = teller.rest(chunks)
        all(
            one(entry, number)
            for entry, number in causes_first(rest, definitions, jitter_ns, assessor.out_of_order)
        )
    return True


def _told(
    session: Recording, assessor: Assessor, definitions: Definitions, jitter_ms: float | None
) -> Iterator[tuple[Entry, int | None]]:
    if _has_marks(session):
        return ((entry, None) for entry in session.entries())
    jitter_ns = round(_declared(jitter_ms) * MS)
    entries = entries_of_one_interface(session.entries(), definitions, session)
    return causes_first(numbered(entries), definitions, jitter_ns, assessor.out_of_order)


def _has_marks(session: Recording) -> bool:
    """A session of this bench, be it without its head: causes are stamped before their effects."""
    return bool(session.header) or session.path.is_dir()


def _declared(jitter_ms: float | None) -> float:
    return FOREIGN_JITTER_MS if jitter_ms is None else jitter_ms


def _doubt_the_recording(session: Recording, assessor: Assessor, jitter_ms: float | None) -> None:
    doubt, t_ns = assessor.findings.doubt, assessor.t_ns
    for bad in session.bad[:MOST_BAD_SHOWN]:
        text = f"{bad.path}:{bad.line}: {bad.reason}" + (f": {bad.text[:60]!r}" if bad.text else "")
        doubt("recording", text, t_ns)
    if session.bad_count > MOST_BAD_SHOWN:
        doubt("recording", f"{session.bad_count - MOST_BAD_SHOWN} more lines that cannot be read", t_ns)
    _, odd = _not_tested(session.header)
    if odd:
        doubt("recording", odd, t_ns)
    if session.cut and assessor.stopped_ns is None:
        doubt("recording", f"it was cut: {session.cut}", t_ns)
    back_ms = session.step_back_ns / MS
    if not session.header and back_ms > _declared(jitter_ms):
        text = f"stamps run backwards by up to {back_ms:.1f} ms, more than the jitter that was declared"
        doubt("recording", f"{text} ({_declared(jitter_ms):g} ms): are they of two clocks?", t_ns)


def _not_tested(header: Mapping[str, Any]) -> tuple[dict[str, str], str]:
    """What the run left out by intention, and what is wrong with how session.json says it."""
    found = header.get("not_tested", {})
    if isinstance(found, Mapping) and all(isinstance(v, str) for v in found.values()):
        return dict(found), ""
    return {}, "session.json does not say in words what was left out (not_tested)"
