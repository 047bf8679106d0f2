"""A hold that cannot be told from a short press."""

from __future__ import annotations

from bench.core.errors import Complaint
from bench.spec.model import Spec

from .finding import finding


def check(spec: Spec) -> list[Complaint]:
    """An error: dimming could begin before the press itself is answered or counts at all."""
    found = []
    for name, circuit in spec.circuits.items():
        if circuit.dim is None:
            continue
        box = spec.boxes[circuit.box]
        least, why = max((box.respond_ms, "respond_ms"), (box.shortest_press_ms, "shortest_press_ms"))
        if circuit.dim.hold_ms <= least:
            text = f'circuit "{name}" dims after {circuit.dim.hold_ms:g} ms, not longer than {why} {least:g}'
            where = f"circuits.{name}.dim.hold_ms"
            found.append(finding(spec, where, text, f"more than {least:g} ms"))
    return found
