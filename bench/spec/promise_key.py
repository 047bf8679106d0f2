"""What each key does and what its lamp shows, in sentences."""

from __future__ import annotations

from collections.abc import Iterator

from .model import Control, Function, Lamp, Spec
from .wording import capital, names, ordinal, seconds


def key_promises(spec: Spec) -> Iterator[str]:
    """One promise per key, outside keys included. Keys of one function refer to the first of them."""
    first: dict[str, Control] = {}
    for control in spec.controls.values():
        before = first.setdefault(control.function, control)
        function = spec.functions[control.function]
        again = before is not control
        does = f"does the same as {_key(before)}." if again else _does(spec, function)
        yield f"{capital(_key(control))}: {does} {_lamp(control.lamp, function, again=again)}"
    for name in spec.outside:
        kind, node, key = name.split(" ")
        where = capital(f"{kind} {node}, key {key}")
        yield f"{where}: belongs to something else; it changes nothing on any channel."


def _key(control: Control) -> str:
    return f"{control.kind} {control.node}, key {control.key}"


def _does(spec: Spec, function: Function) -> str:
    return {
        "toggle": _toggle,
        "momentary": _momentary,
        "cycle": _cycle,
        "group": _group,
        "scene": _scene,
        "on": _on,
        "off": _off,
    }[function.kind](spec, function)


def _toggle(spec: Spec, function: Function) -> str:
    name = function.members[0]
    dim = spec.circuits[name].dim
    hold = f" Held longer than {seconds(dim.hold_ms)} it dims." if dim else ""
    return f"one press switches {name} on, the next switches it off.{hold}"


def _momentary(spec: Spec, function: Function) -> str:
    return f"{function.members[0]} is on while the key is held."


def _cycle(spec: Spec, function: Function) -> str:
    steps = []
    before: tuple[str, ...] = ()
    for number, position in enumerate(function.positions, 1):
        steps.append(f"{ordinal(number)} {_step(before, position)}")
        before = position
    stands = (
        "Where it stands is read off its circuits." if function.position == "derived" else _count(function)
    )
    return f"{'; '.join(steps)}; then it begins again. {stands}"


def _step(before: tuple[str, ...], now: tuple[str, ...]) -> str:
    gone = [c for c in before if c not in now]
    new = [c for c in now if c not in before]
    if not now:
        return "switches off" if before else "leaves all off"
    if not before:
        return f"switches {names(now)} on"
    if not new:
        return f"leaves only {names(now)} on" if gone else "changes nothing"
    if not gone:
        return f"switches {names(new)} on as well"
    return f"switches {names(gone)} off and {names(new)} on"


def _count(function: Function) -> str:
    reset = function.reset
    when = []
    if reset is not None and "wake" in reset.on:
        when.append("at wake-up")
    if reset is not None and "any_member_changed" in reset.on:
        when.append("when another function changes one of its circuits")
    if reset is not None and reset.after_s is not None:
        when.append(f"after {reset.after_s:g} s without a press of it")
    told = f"which starts anew {names(when)}" if when else "which never starts anew by itself"
    return f"It keeps its own count, {told}."


def _group(spec: Spec, function: Function) -> str:
    all_of = names(function.members)
    if function.part_on == "all_off":
        does = f"a press switches {all_of} on; if any of them is on, a press switches all off."
    else:
        does = (
            f"a press switches {all_of} on, also those still off when only some are on; "
            "if all are on, it switches all off."
        )
    if function.dim_together:
        hold = min(d.hold_ms for c in function.members if (d := spec.circuits[c].dim) is not None)
        does += f" Held longer than {seconds(hold)} it dims those that are on, together."
    elif any(spec.circuits[c].dim for c in function.members):
        does += " Held it dims nothing."
    return does


def _scene(spec: Spec, function: Function) -> str:
    on = [f"{c} to {level:g} %" for c, level in function.presets.items() if level > 0]
    off = [c for c, level in function.presets.items() if level == 0]
    parts = ([f"sets {names(on)}"] if on else []) + ([f"switches {names(off)} off"] if off else [])
    again = "switches them off" if function.again == "off" else "sets the same again"
    return f"a press {names(parts)} and leaves all else alone; while it is exactly so, a press {again}."


def _on(spec: Spec, function: Function) -> str:
    return f"a press switches {names(function.members)} on and never anything off."


def _off(spec: Spec, function: Function) -> str:
    return f"a press switches {names(function.members)} off and never anything on."


def _lamp(lamp: Lamp | None, function: Function, *, again: bool) -> str:
    if lamp is None:
        return "It has no lamp."
    watched = lamp.circuits or function.circuits
    text = f"Its lamp is lit while {_shown(lamp, watched, 'its circuits' if again else 'them')}"
    if lamp.tripped is not None:
        shows = {"flashing": "it flashes", "on": "it is lit", "off": "it is dark"}[lamp.tripped]
        which = watched[0] if len(watched) == 1 else "one of them"
        text += f"; {shows} while {which} is tripped"
    return f"{text}."


def _shown(lamp: Lamp, watched: tuple[str, ...], them: str) -> str:
    if lamp.shows == "active":
        return "its scene is exactly as set"
    if lamp.shows == "position":
        return "it stands at a position that is not empty"
    if len(watched) == 1:
        return f"{watched[0]} is on"
    if lamp.circuits:
        return f"{names(watched, 'or')} is on" if lamp.shows == "any" else f"{names(watched)} are all on"
    return f"any of {them} is on" if lamp.shows == "any" else f"all of {them} are on"
