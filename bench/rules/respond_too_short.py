"""A response time that the box's own timing cannot keep."""

from __future__ import annotations

from bench.core.errors import Complaint
from bench.spec.model import Box, Spec

from .finding import finding


def check(spec: Spec) -> list[Complaint]:
    """An error: a healthy box would fail."""
    return [c for box in spec.boxes.values() for c in _box(spec, box)]


def _box(spec: Spec, box: Box) -> list[Complaint]:
    at = f"boxes.{box.name}"
    timing = box.timing_ms
    inside = timing.scan + timing.debounce + timing.task
    frame = box.frames_ms.get("state") or box.frames_ms.get("level")
    found = []
    if frame is None:
        text = f"box {box.name} reports neither state nor level, so its outputs cannot be judged"
        found.append(finding(spec, f"{at}.frames_ms", text, "state or level in frames_ms"))
    else:
        spacing = frame.on_change_ms if frame.on_change_ms is not None else frame.cycle_ms or 0.0
        kind = "on_change" if frame.on_change_ms is not None else "cycle"
        least = inside + spacing
        if box.respond_ms < least:
            text = (
                f"respond_ms {box.respond_ms:g} is shorter than scan {timing.scan:g} + debounce "
                f"{timing.debounce:g} + task {timing.task:g} + {kind} {spacing:g} can take"
            )
            advice = "a healthy box would fail: allow more, or mend the timing"
            found.append(finding(spec, f"{at}.respond_ms", text, f"at least {least:g} ms", advice))
    if box.settle_ms < inside:
        text = f"settle_ms {box.settle_ms:g} is shorter than scan + debounce + task can take"
        found.append(finding(spec, f"{at}.settle_ms", text, f"at least {inside:g} ms"))
    return found
