"""When a box may boot: after its supply came on, or after it was asked to wake.

It must be usable within the agreed time, and may show that as late as any change.
"""

from __future__ import annotations

from collections.abc import Iterator

from bench.judge.rules import MS
from bench.spec.model import Spec

FOREVER = 1 << 62


class Boots:
    """Which boxes are awake, which should wake, and since when."""

    def __init__(self, spec: Spec) -> None:
        self._boxes = spec.boxes
        self._awake = dict.fromkeys(spec.boxes, True)
        self._powered = dict.fromkeys(spec.boxes, True)
        self._due: dict[str, tuple[int, int]] = {}  # box -> (asked, latest)
        self._overdue: dict[str, tuple[int, int]] = {}  # the same of those that were said to be overdue
        self._asleep_ns: dict[str, int] = {}  # since when it hears nothing
        self._booted_ns = dict.fromkeys(spec.boxes, -FOREVER)

    def awake(self, box: str) -> bool:
        return self._awake.get(box, True)

    def since(self, box: str) -> int:
        """Instant of its last boot; far in the past when none was seen."""
        return self._booted_ns.get(box, -FOREVER)

    def asleep_since(self, box: str) -> int | None:
        """Since when it has heard nothing, as far as is known; until it has booted."""
        return self._asleep_ns.get(box)

    def dark(self, box: str, t_ns: int) -> None:
        """Its supply went off."""
        self._awake[box] = self._powered[box] = False
        self._asleep_ns.setdefault(box, t_ns)
        self._due.pop(box, None)
        self._overdue.pop(box, None)

    def powered(self, box: str, t_ns: int) -> bool:
        """Its supply came on. Whether that wakes it."""
        self._powered[box] = True
        wakes = not self._awake[box] and self._boxes[box].wake.by == "supply"
        if wakes:
            self._expect(box, t_ns)
        return wakes

    def confirmed(self, box: str, t_ns: int) -> None:
        """Its supply is known to be on only now: its time to wake counts from here."""
        if box in self._due:
            asked, latest = self._due[box]
            self._due[box] = (asked, max(latest, t_ns + self._within_ns(box)))

    def asked(self, box: str, t_ns: int) -> bool:
        """It was told to wake, which an awake box does anew; False when it has no supply."""
        if self._powered[box]:
            self._awake[box] = False
            self._asleep_ns.setdefault(box, t_ns)
            self._expect(box, t_ns)
        return self._powered[box]

    def _expect(self, box: str, t_ns: int) -> None:
        self._overdue.pop(box, None)
        self._due.setdefault(box, (t_ns, t_ns + self._within_ns(box)))

    def _within_ns(self, box: str) -> int:
        row = self._boxes[box]
        return round(row.wake.within_s * 1000 + row.respond_ms) * MS

    def booted(self, box: str, t_ns: int) -> tuple[int | None, int | None]:
        """A boot frame came: the instant it was asked for, None when it was not; and by when it was due,
        where it was said to be overdue."""
        self._awake[box] = True
        self._booted_ns[box] = t_ns
        self._asleep_ns.pop(box, None)
        due = self._due.pop(box, None)
        late = self._overdue.pop(box, None)
        asked = due or late
        return asked[0] if asked else None, late[1] if late else None

    @property
    def expects(self) -> bool:
        """Whether a box was asked to boot, and has not yet."""
        return bool(self._due)

    def due(self, box: str) -> bool:
        """Whether it was asked to boot, and has not yet."""
        return box in self._due

    def next_overdue_ns(self, jitter_ns: int) -> int:
        """When the first of them is overdue."""
        return min(latest for _, latest in self._due.values()) + 2 * jitter_ns + 1

    def overdue(self, t_ns: int, jitter_ns: int) -> Iterator[tuple[str, int]]:
        """Boxes that should have booted by now, with the latest instant; each once."""
        for box, (_, latest) in list(self._due.items()):
            if t_ns > latest + 2 * jitter_ns:
                self._overdue[box] = self._due.pop(box)
                yield box, latest
