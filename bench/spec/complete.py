"""Options that only some specs need: demanded when the behaviour is used, refused when it is not.

Where boxes differ there is no silent default; which option is due can only be told once the whole
spec is known.
"""

from __future__ import annotations

from .model import Box, Circuit, ControlNode, Function, Spec
from .reading import Reading, listed
from .shapes import literals


def check_options(spec: Spec, reading: Reading) -> None:
    """Complain about options that are due and missing, or given where they say nothing."""
    for box in spec.boxes.values():
        _box(box, reading)
    for circuit in spec.circuits.values():
        _circuit(circuit, spec, reading)
    for function in spec.functions.values():
        _function(function, spec, reading)
    for nodes, table in ((spec.panels, "panels"), (spec.screens, "screens")):
        for node in nodes.values():
            _lost(node, table, spec, reading)


def _box(box: Box, reading: Reading) -> None:
    at = f"boxes.{box.name}"
    if (supply := box.supply) is None:
        return
    if supply.ends_v < supply.low_v:
        text = f"low supply ends at {supply.ends_v:g} V, below where it begins ({supply.low_v:g} V)"
        reading.at(f"{at}.supply.ends_v", text, f"at least {supply.low_v:g} V")
    if supply.low_v >= box.supply_v:
        text = f"the supply is low below {supply.low_v:g} V, and nominal is {box.supply_v:g} V"
        reading.at(f"{at}.supply.low_v", text, f"less than {box.supply_v:g} V")


def _circuit(circuit: Circuit, spec: Spec, reading: Reading) -> None:
    at = f"circuits.{circuit.name}"
    scenes = [f.name for f in spec.functions.values() if circuit.name in f.presets]
    dim = circuit.dim
    if dim is not None and dim.memory != "none" and scenes and dim.memory_by_scene is None:
        reading.at(
            f"{at}.dim",
            f'circuit "{circuit.name}" remembers its level and scene "{scenes[0]}" sets it, '
            'but "memory_by_scene" is missing',
            "kept or changed",
            "boxes differ here, so it must be said",
        )
    if dim is not None and dim.memory == "none" and dim.memory_by_scene is not None:
        text = f'circuit "{circuit.name}" has no memory that a scene could change'
        reading.at(f"{at}.dim.memory_by_scene", text, "no such key with memory: none")
    if circuit.trip and "wake" in circuit.trip.reset and spec.boxes[circuit.box].trip_at_wake == "kept":
        text = f"wake-up clears the trip, but box {circuit.box} says trip_at_wake: kept"
        reading.at(f"{at}.trip.reset", text, "trip_at_wake: cleared on the box, or no wake here")


def _function(function: Function, spec: Spec, reading: Reading) -> None:
    at = f"functions.{function.name}"
    name = function.name
    if function.kind == "cycle" and function.position == "counter" and function.reset is None:
        text = f'function "{name}" counts its position, but "reset" is missing'
        reading.at(
            at, text, "reset: {on: [...]}, {on: []} for never", "boxes differ here, so it must be said"
        )
    if function.kind == "cycle" and function.position == "derived" and function.reset is not None:
        text = f'function "{name}" reads its position off the outputs and has no count to reset'
        reading.at(f"{at}.reset", text, "no reset with position: derived")
    if function.kind != "group":
        return
    dims = [c for c in function.members if spec.circuits[c].dim is not None]
    said = f"{at}.dim_together" in reading.places
    if dims and not said:
        text = (
            f'group "{name}" holds {listed(dims[:3], last="and")}, which dims, but "dim_together" is missing'
        )
        reading.at(at, text, "true or false", "boxes differ here, so it must be said")
    if function.dim_together and not dims:
        reading.at(f"{at}.dim_together", f'no member of group "{name}" dims', "false, or leave it out")


def can_dim(function: Function, spec: Spec) -> bool:
    """Whether holding a key of this function dims something."""
    if function.kind == "toggle":
        return any(spec.circuits[c].dim is not None for c in function.members)
    return function.kind == "group" and function.dim_together


def _lost(node: ControlNode, table: str, spec: Spec, reading: Reading) -> None:
    if node.lost is None:
        return
    own = [c for c in spec.controls.values() if (c.kind, c.node) == (node.kind, node.name)]
    functions = [spec.functions[c.function] for c in own]
    at = f"{table}.{node.name}.lost"
    for key, used, why in (
        ("momentary", any(f.kind == "momentary" for f in functions), "one of its keys is momentary"),
        ("dim", any(can_dim(f, spec) for f in functions), "one of its keys dims"),
    ):
        if used and f"{at}.{key}" not in reading.places:
            text = f'{node.kind} "{node.name}" can be lost and {why}, but "{key}" is missing'
            reading.at(
                at, text, listed(literals(type(node.lost), key)), "boxes differ here, so it must be said"
            )
