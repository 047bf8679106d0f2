"""How fast a plan may go: every duration follows from what the boxes promise."""

from __future__ import annotations

from dataclasses import dataclass

from bench.spec.model import Spec

PROOF_MS = (
    150.0  # a change must outlast respond_ms by this to be provable on a real link (design: W = L + A + J)
)
JITTER_MS = 50.0  # of these; the rest is for the age of a state that is sent in a cycle and not on change
STEADY_MS = 250.0  # and settle_ms by this for its current: two cycles of 100 ms and the link's jitter
TAP_MS = 120.0
APART_MS = 60.0
GUARD_MS = 100.0  # no stimulus this near to a timer's end or the beginning of a ramp, or resolves_ms
SIGNAL_MS = 600.0  # the longest a horn sounds: a test stroke, not the signal of COLREG Rule 32 (one second)
CURRENT_CYCLE_MS = 100.0  # where the spec gives no cycle for currents


@dataclass(frozen=True, slots=True)
class Pace:
    """Durations in milliseconds.

    `apart`: least distance of any two stimuli. `tap`: shortest press. `dwell`: from a stimulus to the
    next one of the same cluster, long enough to prove states and currents; `proof`: states alone, for what
    only prepares. `steady`: how long a current must be watched at one level to count.
    """

    apart: float
    tap: float
    dwell: float
    proof: float
    steady: float
    respond: float
    guard: float

    @classmethod
    def of(cls, spec: Spec) -> Pace:
        """The pace of the slowest box."""
        boxes = spec.boxes.values()
        respond = max(b.respond_ms for b in boxes)
        settle = max(b.settle_ms for b in boxes)
        cycles = [b.frames_ms["current"].cycle_ms for b in boxes if "current" in b.frames_ms]
        cycle = max([c for c in cycles if c is not None], default=CURRENT_CYCLE_MS)
        sent = [b.frames_ms[kind] for b in boxes for kind in ("state", "level") if kind in b.frames_ms]
        ages = [f.cycle_ms + JITTER_MS for f in sent if f.on_change_ms is None and f.cycle_ms is not None]
        proof = respond + max(PROOF_MS, *ages, 0.0)
        tap = max(TAP_MS, *(2 * b.shortest_press_ms for b in boxes))
        return cls(
            apart=max(APART_MS, *(b.resolves_ms + b.shortest_press_ms + 20.0 for b in boxes)),
            tap=tap,
            dwell=max(proof, settle + STEADY_MS, settle + 2 * cycle + 50.0),
            proof=proof,
            steady=settle + 2 * cycle,
            respond=respond,
            guard=max(GUARD_MS, *(b.resolves_ms + b.shortest_press_ms for b in boxes)),
        )
