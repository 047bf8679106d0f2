"""A claim to order presses that the box's own timing cannot keep."""

from __future__ import annotations

from bench.core.errors import Complaint
from bench.spec.model import Spec

from .finding import finding


def check(spec: Spec) -> list[Complaint]:
    """An error: two presses within one scan and one task have no order inside the box."""
    found = []
    for box in spec.boxes.values():
        least = box.timing_ms.scan + box.timing_ms.task
        if box.resolves_ms < least:
            text = (
                f"resolves_ms {box.resolves_ms:g} is shorter than scan {box.timing_ms.scan:g} + task "
                f"{box.timing_ms.task:g}: presses so close have no order inside the box"
            )
            found.append(finding(spec, f"boxes.{box.name}.resolves_ms", text, f"at least {least:g} ms"))
    return found
