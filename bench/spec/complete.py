"""Options that only some specs need: demanded when the behaviour is used, refused when it is not.

Where boxes differ there is no silent default; which option is due can only be told once the whole
spec has been read. What could not be read is passed over, so that all complaints come at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from .model import Control, Dim, Function, Lost, SupplyLimits, Trip
from .reading import BAD, Reading, listed
from .shapes import Read, literals

_DIFFER = "boxes differ here, so it must be said"


class Parts(NamedTuple):
    """What has been read so far: tables of dicts with BAD in them, and whole functions and controls."""

    boxes: Mapping[str, Read]
    panels: Mapping[str, Read]
    screens: Mapping[str, Read]
    circuits: Mapping[str, Read]
    functions: Mapping[str, Function]
    controls: Mapping[str, Control]

    def dim(self, circuit: str) -> Dim | None:
        """The circuit's dimming, as far as it could be read."""
        found = _get(self.circuits.get(circuit), "dim")
        return found if isinstance(found, Dim) else None

    def unread(self, circuit: str) -> bool:
        """Whether the circuit, or its dimming, was complained about."""
        values = self.circuits.get(circuit, BAD)
        return values is BAD or values.get("dim") is BAD


def _get(values: Read, key: str) -> Read:
    return values.get(key) if isinstance(values, dict) else None


def check_options(parts: Parts, reading: Reading) -> None:
    """Complain about options that are due and missing, or given where they say nothing."""
    for name, box in parts.boxes.items():
        _supply(f"boxes.{name}.supply", _get(box, "supply"), _get(box, "supply_v"), reading)
    scenes = {c: f.name for f in reversed(list(parts.functions.values())) for c in f.presets}
    for name in parts.circuits:
        _memory(name, parts.dim(name), scenes.get(name), reading)
        _trip(name, parts, reading)
    for function in parts.functions.values():
        _counter(function, reading)
        _together(function, parts, reading)
    own: dict[tuple[str, str], list[Function]] = {}
    for control in parts.controls.values():
        own.setdefault((control.kind, control.node), []).append(parts.functions[control.function])
    for kind, table, nodes in (("panel", "panels", parts.panels), ("screen", "screens", parts.screens)):
        for name, node in nodes.items():
            if isinstance(_get(node, "lost"), dict):
                at = f"{table}.{name}.lost"
                _lost(f'{kind} "{name}"', at, own.get((kind, name), []), parts, reading)


def _supply(at: str, supply: Read, nominal_v: Read, reading: Reading) -> None:
    if not isinstance(supply, SupplyLimits):
        return
    if supply.ends_v < supply.low_v:
        text = f"low supply ends at {supply.ends_v:g} V, below where it begins ({supply.low_v:g} V)"
        reading.at(f"{at}.ends_v", text, f"at least {supply.low_v:g} V")
    if isinstance(nominal_v, float) and supply.low_v >= nominal_v:
        text = f"the supply is low below {supply.low_v:g} V, and nominal is {nominal_v:g} V"
        reading.at(f"{at}.low_v", text, f"less than {nominal_v:g} V")


def _memory(name: str, dim: Dim | None, scene: str | None, reading: Reading) -> None:
    if dim is None:
        return
    at = f"circuits.{name}.dim"
    if dim.memory != "none" and scene is not None and dim.memory_by_scene is None:
        text = (
            f'circuit "{name}" remembers its level and scene "{scene}" sets it, '
            'but "memory_by_scene" is missing'
        )
        reading.at(at, text, listed(literals(Dim, "memory_by_scene")), _DIFFER)
    if dim.memory == "none" and dim.memory_by_scene is not None:
        text = f'circuit "{name}" has no memory that a scene could change'
        reading.at(f"{at}.memory_by_scene", text, "no such key with memory: none")


def _trip(name: str, parts: Parts, reading: Reading) -> None:
    trip = _get(parts.circuits[name], "trip")
    box = _get(parts.circuits[name], "box")
    at_wake = _get(parts.boxes.get(box), "trip_at_wake") if isinstance(box, str) else None
    if isinstance(trip, Trip) and "wake" in trip.reset and at_wake == "kept":
        text = f'wake-up clears the trip of circuit "{name}", but box {box} says trip_at_wake: kept'
        expected = "no wake here, or trip_at_wake: cleared on the box"
        reading.at(f"circuits.{name}.trip.reset", text, expected)


def _counter(function: Function, reading: Reading) -> None:
    if function.kind != "cycle":
        return
    at = f"functions.{function.name}"
    if function.position == "counter" and function.reset is None:
        text = f'function "{function.name}" counts its position, but "reset" is missing'
        reading.at(at, text, "reset: {on: [...]}, with [] for never", _DIFFER)
    if function.position == "derived" and function.reset is not None:
        text = f'function "{function.name}" reads its position off the outputs and has no count to reset'
        reading.at(f"{at}.reset", text, "no reset with position: derived")


def _together(function: Function, parts: Parts, reading: Reading) -> None:
    if function.kind != "group":
        return
    at = f"functions.{function.name}"
    dims = [c for c in function.members if parts.dim(c) is not None]
    if dims and f"{at}.dim_together" not in reading.places:
        verb = "dims" if len(dims) == 1 else "dim"
        text = f'group "{function.name}" holds {listed(dims, last="and", most=4)}, which {verb}, '
        reading.at(at, text + 'but "dim_together" is missing', "true or false", _DIFFER)
    if function.dim_together and not dims and not any(parts.unread(c) for c in function.members):
        text = f'no member of group "{function.name}" dims'
        reading.at(f"{at}.dim_together", text, "false, or no such key")
    holds = {dim.hold_ms: c for c in dims if (dim := parts.dim(c)) is not None}
    if function.dim_together and len(holds) > 1:
        each = " and ".join(f"{c} {ms:g}" for ms, c in holds.items())
        text = f'members of group "{function.name}" dim together with different hold_ms ({each}): '
        reading.at(at, text + "which press is a short one is not defined then", "the same hold_ms for all")


def _lost(what: str, at: str, functions: list[Function], parts: Parts, reading: Reading) -> None:
    for key, used, why in (
        ("momentary", any(f.kind == "momentary" for f in functions), "one of its keys is momentary"),
        ("dim", any(_can_dim(f, parts) for f in functions), "one of its keys dims"),
    ):
        if used and f"{at}.{key}" not in reading.places:
            text = f'{what} can be lost and {why}, but "{key}" is missing'
            reading.at(at, text, listed(literals(Lost, key)), _DIFFER)


def _can_dim(function: Function, parts: Parts) -> bool:
    """Whether holding a key of this function dims something."""
    if function.kind == "toggle":
        return any(parts.dim(c) is not None for c in function.members)
    return function.kind == "group" and function.dim_together
