"""What the judge found, before it is put into words and folded."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Found:
    """A deviation as the judge sees it.

    `cause`: number of the stimulus before it (0: none). `clusters`: those it belongs to.
    `since_ns`: begin of the window that was judged. `unseen`: nothing of the signal arrived in it.
    """

    kind: str
    signal: str
    subject: str
    t_ns: int
    since_ns: int
    expected: str
    seen: str
    cause: int
    clusters: tuple[int, ...]
    unseen: bool = False
    amps: tuple[float, float, float] | None = None  # seen, and the band it should lie in
