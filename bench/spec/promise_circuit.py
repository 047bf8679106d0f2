"""What each circuit is and does by itself, in sentences."""

from __future__ import annotations

from .model import Circuit, Dim, Spec, Trip, Wire
from .wording import names, seconds

_RESETS = {
    "control": "a key of its own is pressed",
    "group_off": "a group that holds it goes off",
    "scene_off": "a scene that holds it goes off",
    "cycle_empty": "a stepped function that holds it comes to its empty position",
    "timer": "its timer ends",
    "inhibit": "an inhibit begins",
    "shed": "it is shed at low supply",
    "wake": "the box wakes",
    "supply": "the supply is lost and returns",
}
_LAWS = {"linear": "evenly"}
_LOADS = {
    "led": "LEDs",
    "lamp": "a filament lamp",
    "motor": "a motor",
    "relay": "a relay",
    "resistive": "a resistance",
    "electronic": "electronics",
}
_LIGHTS = {
    "masthead": "masthead light",
    "sidelights": "sidelights",
    "stern": "stern light",
    "allround": "all-round white light",
    "towing": "towing light",
    "pilot": "pilot lights",
    "deck": "working light",
}


def circuit_promise(spec: Spec, circuit: Circuit) -> str:
    """One promise: where it is, what hangs on it, and what it does without a key."""
    where = f"channel {circuit.channel}" + (f" of box {circuit.box}" if len(spec.boxes) > 1 else "")
    tolerance = f" (give or take {circuit.tol_pct:g} %)" if circuit.tol_pct is not None else ""
    fuse = f", fuse {circuit.fuse_a:g} A" if circuit.fuse_a is not None else ""
    wire = f", {_wire(circuit.wire)}" if circuit.wire is not None else ""
    about = f" ({circuit.about})" if circuit.about else ""
    light = f" It carries the {_LIGHTS[circuit.light]}." if circuit.light is not None else ""
    text = (
        f"Circuit {circuit.name}{about}: {where}, {_LOADS[circuit.load]} of {circuit.rated_a:g} A"
        f"{tolerance}{fuse}{wire}.{light}"
    )
    if circuit.auto_off is not None:
        off = circuit.auto_off
        text += f" It goes off by itself after {off.after_s:g} s, give or take {off.tolerance_s:g} s."
    if circuit.dim is not None:
        text += f" {_dim(circuit.dim)}"
    if circuit.trip is not None:
        text += f" {_trip(circuit.trip)}"
    return text


def _wire(wire: Wire) -> str:
    if wire.awg is None:
        size = f"{wire.mm2:g} mm2"
    else:
        size = f"{wire.awg} AWG" if wire.awg > 0 else f"{1 - wire.awg}/0 AWG"
    return f"{size} wire of {wire.one_way_m:g} m"


def _dim(dim: Dim) -> str:
    way = {
        "down": "each hold starts downward",
        "alternate": "each hold goes the other way than the last",
    }[dim.direction]
    end = "turns at the ends" if dim.at_end == "turn" else "stops at the ends"
    comes = {
        "none": "Switched on it comes on at 100 %.",
        "kept": "Switched on it returns to its last level, which it forgets when the supply is lost.",
        "kept_through_supply_loss": "Switched on it returns to its last level, also after loss of supply.",
    }[dim.memory]
    scene = {
        None: "",
        "kept": " A scene's level is not remembered.",
        "changed": " A scene's level is remembered too.",
    }[dim.memory_by_scene]
    return (
        f"It dims between {dim.min_pct:g} and 100 % while its key is held longer than "
        f"{seconds(dim.hold_ms)}, {_LAWS[dim.law]}, from full to least in {dim.range_s:g} s, "
        f"give or take {dim.range_tol_pct:g} %; {way} and {end}. {comes}{scene}"
    )


def _trip(trip: Trip) -> str:
    until = names((_RESETS[word] for word in _RESETS if word in trip.reset), "or")
    return f"Above {trip.at_a:g} A it trips and stays off until {until}."
