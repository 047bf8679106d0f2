"""Boxes without supply or just waking, and which clusters cannot be followed for their sake.

What a stimulus or a timer does is agreed for boxes that are awake, and for a boat that is dark. While one
of several boxes is dark, or while a box is just waking, it is not: the others may need it for their work.
"""

from __future__ import annotations

from collections.abc import Sequence

from bench.core.event import SUPPLY, Event
from bench.core.model import Model

from .rules import MS

TOGETHER_NS = 50 * MS  # supplies that go within this time go together
ALONE_NS = 600 * MS  # one that is without supply for so long while others have theirs is so by itself
WITHOUT, WAKING = "had no supply", "was just waking"


class Sleep:
    """`boxes`: all of the boat."""

    def __init__(self, model: Model, boxes: Sequence[str]) -> None:
        self._model = model
        self._boxes = tuple(boxes)
        self._asleep: dict[str, str] = {}
        self._since_ns = 0  # when the latest fell asleep
        self._fell_ns: dict[str, int] = {}
        self._of: dict[str, frozenset[int]] = {}  # box -> clusters that need it

    def __bool__(self) -> bool:
        return bool(self._asleep)

    def fell(self, box: str, why: str, t_ns: int) -> frozenset[int]:
        """A box is without supply or was told to wake. Returns the clusters that need it."""
        self._asleep[box] = why
        self._since_ns = self._fell_ns[box] = t_ns
        return self.needing(box)

    def needing(self, box: str) -> frozenset[int]:
        """The clusters that need a box."""
        if not self._of:
            events = {b: Event(0, SUPPLY, b, 0) for b in self._boxes}
            self._of = {b: frozenset(k for k, _ in self._model.route(e, ())) for b, e in events.items()}
        return self._of[box]

    def is_waking(self, box: str) -> bool:
        """Whether it was told to wake, or has just got its supply."""
        return self._asleep.get(box) == WAKING

    def is_split(self, cluster: int, t_ns: int) -> bool:
        """Whether some of the boxes that a cluster needs have been without supply for a while, and some have
        theirs: what a rule makes of a source that is dark, and a dark box of its timers, is not agreed."""
        needed = [b for b in self._boxes if cluster in self.needing(b)]
        dark = [b for b in needed if self._asleep.get(b) == WITHOUT and t_ns - self._fell_ns[b] >= ALONE_NS]
        return bool(dark) and any(b not in self._asleep for b in needed)

    def woke(self, box: str) -> None:
        """A box is awake."""
        self._asleep.pop(box, None)

    def unclear(self, cluster: int, t_ns: int, *, stimulus: bool) -> tuple[str, str] | None:
        """The box for whose sake nobody can say what a stimulus, or else the end of a timer, does in
        this cluster at `t_ns`, and why; None when it is clear."""
        if not stimulus and t_ns - self._since_ns < TOGETHER_NS:
            return None
        needed = [b for b in self._boxes if cluster in self._of.get(b, ())]
        dark = [b for b in needed if self._asleep.get(b) == WITHOUT]
        waking = [b for b in needed if self._asleep.get(b) == WAKING]
        if waking and stimulus:
            return waking[0], WAKING
        if dark and len(dark) < len(needed):
            return dark[0], WITHOUT
        return None
