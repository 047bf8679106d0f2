"""What a spec promises, in sentences that a boat's owner can read."""

from __future__ import annotations

from collections.abc import Iterator

from .model import Boat, ControlNode, Spec
from .promise_box import box_promises
from .promise_circuit import circuit_promise
from .promise_key import key_promises
from .promise_rule import rule_promises
from .promise_scenario import scenario_promises
from .wording import names, seconds


def promises(spec: Spec) -> list[str]:
    """Every promise of the spec, one a string, in the order an owner would ask: keys, rules, circuits,
    loss of panels, boxes, scenarios."""
    return [
        _boat(spec.boat),
        *key_promises(spec),
        *rule_promises(spec),
        *(circuit_promise(spec, c) for c in spec.circuits.values()),
        *_lost(spec),
        *(line for box in spec.boxes.values() for line in box_promises(spec, box)),
        *scenario_promises(spec),
    ]


def _boat(boat: Boat) -> str:
    facts = [f"{boat.length_m:g} m long"] if boat.length_m is not None else []
    if boat.propulsion is not None:
        facts.append("power-driven" if boat.propulsion == "power" else "sailing")
    if boat.max_speed_kn is not None:
        facts.append(f"at most {boat.max_speed_kn:g} knots")
    about = f" ({boat.about})" if boat.about else ""
    return f"This is agreed for {boat.name}{about}{': ' if facts else ''}{', '.join(facts)}."


def _lost(spec: Spec) -> Iterator[str]:
    for node in (*spec.panels.values(), *spec.screens.values()):
        yield _node_lost(spec, node)
    for sensor in spec.sensors.values():
        if sensor.lost is None:
            yield f"What happens when sensor {sensor.name} falls silent is not agreed."
            continue
        taken = {
            "hold": "its last value holds",
            "rest": "it is taken as at rest",
            "active": "it is taken as active",
        }[sensor.lost.sensor]
        yield f"When sensor {sensor.name} is silent for {seconds(sensor.lost.after_ms)}, {taken}."


def _node_lost(spec: Spec, node: ControlNode) -> str:
    lost = node.lost
    if lost is None:
        return f"What happens when {node.kind} {node.name} falls silent is not agreed."
    own = [c for c in spec.controls.values() if (c.kind, c.node) == (node.kind, node.name)]
    functions = [spec.functions[c.function] for c in own]
    parts = []
    if any(f.kind == "momentary" for f in functions):
        held = "go off" if lost.momentary == "release" else "stay on until their release is heard"
        parts.append(f"circuits held on by its keys {held}")
    if any(f.dim_together or (f.kind == "toggle" and spec.circuits[f.members[0]].dim) for f in functions):
        parts.append(
            "a level being dimmed stays where it is" if lost.dim == "freeze" else "a level goes on dimming"
        )
    others = "stay as they are" if lost.others == "hold" else "go off"
    parts.append(f"its other circuits {others}")
    return f"When {node.kind} {node.name} is silent for {seconds(lost.after_ms)}: {names(parts)}."
