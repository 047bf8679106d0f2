"""A box that forgets trips when it wakes."""

from __future__ import annotations

from bench.core.errors import Complaint
from bench.spec.model import Spec

from .finding import finding, quoted


def check(spec: Spec) -> list[Complaint]:
    """A warning: switching the supply off and on sends current into the fault again, unasked where the
    circuit is forced or woken."""
    found = []
    for box in spec.boxes.values():
        trips = [n for n, c in spec.circuits.items() if c.box == box.name and c.trip is not None]
        if box.trip_at_wake != "cleared" or not trips:
            continue
        live = {f.circuit for f in spec.forces} | {c for w in spec.wakes for c in w.circuits}
        again = [t for t in trips if t in live]
        text = f"box {box.name} clears the trip of {quoted(trips)} when it wakes"
        if again:
            text += f"; {quoted(again)} can then close again though nobody asked"
        where = f"boxes.{box.name}.trip_at_wake"
        found.append(finding(spec, where, text, advice="make sure that is meant", warning=True))
    return found
