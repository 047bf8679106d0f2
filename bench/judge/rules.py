"""What the judge must know about a signal besides its expected course."""

from __future__ import annotations

from dataclasses import dataclass

MS = 1_000_000


@dataclass(frozen=True, slots=True)
class SignalRule:
    """Timing and tolerance of one signal; all times in nanoseconds.

    `respond_ns`: L, from cause to report. `age_ns`: A, how old a cyclic value may be when sent.
    `jitter_ns`: J, the link's worst total error of stimulus and stamp together, from its own
    evidence. `cycle_ns`: the message's cycle (0: none). `on_change`: sent at once on change.
    `tolerance`: half a count or more, in the signal's unit. `spare_ns`: a report may come this much later,
    as one that was lost would leave no trace.
    """

    signal: str
    kind: str
    subject: str
    respond_ns: int
    age_ns: int
    jitter_ns: int
    cycle_ns: int
    on_change: bool
    tolerance: float
    spare_ns: int = 0

    @property
    def window_ns(self) -> int:
        """W: a value older than this may not be shown any more."""
        return self.respond_ns + self.age_ns + self.jitter_ns

    @property
    def deadline_ns(self) -> int:
        """D: a lasting change must have been shown by then."""
        wait = self.respond_ns + self.jitter_ns + self.spare_ns
        return wait if self.on_change else wait + self.age_ns + self.cycle_ns
