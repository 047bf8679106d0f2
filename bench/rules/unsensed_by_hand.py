"""A box that ignores presses in a state it cannot know of."""

from __future__ import annotations

from bench.core.errors import Complaint
from bench.spec.model import Spec

from .finding import finding


def check(spec: Spec) -> list[Complaint]:
    """An error: sensed: none with presses: ignored cannot be true of any box."""
    return [
        finding(
            spec,
            f"boxes.{box.name}.by_hand.presses",
            f"box {box.name} does not sense by hand, so it cannot ignore presses meanwhile",
            "presses: stored, or sensed: flag",
        )
        for box in spec.boxes.values()
        if box.by_hand.sensed == "none" and box.by_hand.presses == "ignored"
    ]
