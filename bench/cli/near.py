"""The frames near what a report shows, out of a recording of any length."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from bench.assess.joined import Recording
from bench.core.frame import Frame
from bench.core.verdict import Deviation
from bench.report.material import FRAMES_AFTER, FRAMES_BEFORE
from bench.session import Session


def frames_near(session: Recording, roots: Sequence[Deviation]) -> Iterator[tuple[int, Frame]]:
    """Frames with their numbers, rising; of a long recording only those that `excerpts` may show."""
    if not roots:
        return
    if not isinstance(session, Session) or not session.is_large:
        yield from enumerate(entry for entry in session.entries() if isinstance(entry, Frame))
        return
    places = [r.frame_index for r in roots if r.frame_index is not None]
    instants = [r.t_ns for r in roots if r.frame_index is None]
    for chunk in session.chunks():
        n, first = len(chunk), chunk.first
        latest_ns = int(chunk.t_ns.max(initial=0))
        is_near = any(first <= place < first + n for place in places) or any(
            t_ns <= latest_ns for t_ns in instants
        )
        instants = [t_ns for t_ns in instants if t_ns > latest_ns]
        if is_near or n <= FRAMES_BEFORE + FRAMES_AFTER:
            yield from enumerate(chunk.frames(), first)
        else:
            yield from enumerate(chunk.part(0, FRAMES_AFTER).frames(), first)
            yield from enumerate(chunk.part(n - FRAMES_BEFORE, n).frames(), first + n - FRAMES_BEFORE)
