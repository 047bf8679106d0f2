"""What a run hands back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from bench.core.link import LinkStatistics
from bench.core.plan import Plan
from bench.core.verdict import EXIT_STATUS, FAIL, Verdict

from .safe_off import OffResult


@dataclass(frozen=True, slots=True)
class RunResult:
    """`reason`: complete | interrupted | link lost ... | as in the Ended mark. `off`: what safe-off
    reached, None when nothing was ever sent. `figures`: measured, never part of a verdict."""

    verdict: Verdict
    reason: str
    plan: Plan
    off: OffResult | None = None
    steps_done: int = 0
    signal_number: int | None = None
    identity: Mapping[str, str] = field(default_factory=dict)
    statistics: LinkStatistics | None = None
    folder: Path | None = None
    frames: int = 0
    bench_s: float = 0.0
    warnings: tuple[str, ...] = ()
    figures: Mapping[str, float] = field(default_factory=dict)

    @property
    def exit_status(self) -> int:
        """0 pass, 1 a discrepancy (also when interrupted after one), 3 inconclusive or the bench
        failed, 128 + signal number when interrupted before any discrepancy."""
        if self.verdict.outcome != FAIL and self.signal_number is not None:
            return 128 + self.signal_number
        return EXIT_STATUS[self.verdict.outcome]
