"""Positions of a cycle that show navigation lights no rule permits.

Source: International Regulations for Preventing Collisions at Sea 1972, Rules 23 (power-driven, under
way) and 30 (at anchor); Rule 25 (sailing vessels) and Rule 20(b) (no other lights) from memory.
"""

from __future__ import annotations

from collections.abc import Sequence

from bench.core.errors import Complaint
from bench.spec.model import Boat, Function, Spec

from .finding import finding

Lights = tuple[str, ...]  # sorted words of `light`
NAVIGATION = ("masthead", "sidelights", "stern", "allround", "towing", "pilot")
_SPECIAL = frozenset(("towing", "pilot"))  # Rules 24 and 29, not judged here
_WORDS = {"masthead": "masthead light", "stern": "stern light", "allround": "all-round white"}
_UNDER_WAY_ONLY = frozenset(("masthead", "sidelights", "stern"))


def under_way(boat: Boat) -> tuple[Lights, ...]:
    """Sets that the boat may show under way; `sidelights` means both, `allround` white."""
    length = boat.length_m or 0.0
    sets: list[Lights] = [("masthead", "masthead", "sidelights", "stern")]  # 23(a)
    if length < 50:
        sets.insert(0, ("masthead", "sidelights", "stern"))  # 23(a)(ii): second masthead light not obliged
    if length < 12:
        sets.append(("allround", "sidelights"))  # 23(d)(i)
    if length < 7 and boat.max_speed_kn is not None and boat.max_speed_kn <= 7:
        sets.append(("allround",))  # 23(d)(ii)
    if boat.propulsion == "sail":
        sets.append(("sidelights", "stern"))  # 25(a), from memory; under engine as above
    return tuple(sets)


def at_anchor(boat: Boat) -> tuple[Lights, ...]:
    """Sets that the boat may show at anchor. From 100 m deck lights are due too, which a cycle may leave
    to other circuits."""
    length = boat.length_m or 0.0
    two: Lights = ("allround", "allround")  # 30(a)
    if length >= 50:
        return (two,)
    one: Lights = ("allround",)  # 30(b)
    return (one, two, ()) if length < 7 else (one, two)  # 30(e): none needed in places


def check(spec: Spec) -> list[Complaint]:
    """An error for each position that shows lights which are permitted neither under way nor at anchor."""
    found: list[Complaint] = []
    for function in spec.functions.values():
        if function.kind == "cycle" and any(_lights(spec, p) for p in function.positions):
            found += _judge(spec, function)
    return found


def _judge(spec: Spec, function: Function) -> list[Complaint]:
    boat = spec.boat
    if boat.length_m is None or boat.propulsion is None:
        text = (
            f'"{function.name}" switches navigation lights, which are not judged: '
            "the boat's length_m or propulsion is missing"
        )
        return [finding(spec, "boat", text, "length_m and propulsion", warning=True)]
    found = []
    for number, position in enumerate(function.positions, 1):
        lights = _lights(spec, position)
        where = f"functions.{function.name}.cycle.{number}"
        if _SPECIAL & set(lights):
            text = (
                f'position {number} of "{function.name}" shows {_say(lights)}: '
                "towing and pilot lights are not judged"
            )
            found.append(finding(spec, where, text, advice="check Rules 24 and 29 by eye", warning=True))
        elif lights and lights not in (*under_way(boat), *at_anchor(boat)):
            found.append(_not_permitted(spec, where, f'position {number} of "{function.name}"', lights))
    return found


def _not_permitted(spec: Spec, where: str, what: str, lights: Lights) -> Complaint:
    boat = spec.boat
    kind = "sailing" if boat.propulsion == "sail" else "power-driven"
    anchor = tuple(x for x in lights if x not in _UNDER_WAY_ONLY)
    if anchor and anchor in at_anchor(boat):
        extra = tuple(x for x in lights if x in _UNDER_WAY_ONLY)
        text = (
            f"{what} shows {_say(lights)}: not permitted under way for a {kind} boat of "
            f"{boat.length_m:g} m, and at anchor {_say(extra)} must be off"
        )
    else:
        text = (
            f"{what} shows {_say(lights)}: permitted neither under way nor at anchor for a {kind} boat "
            f"of {boat.length_m:g} m"
        )
    sets = "; or ".join(_say(s) for s in under_way(boat))
    anchored = "; or ".join(_say(s) for s in at_anchor(boat) if s)
    expected = f"under way {sets}; at anchor {anchored} (COLREG Rules 23 and 30)"
    return finding(spec, where, text, expected)


def _lights(spec: Spec, position: Sequence[str]) -> Lights:
    kinds = (spec.circuits[c].light for c in position)
    return tuple(sorted(k for k in kinds if k in NAVIGATION))


def _say(lights: Lights) -> str:
    words = []
    for kind in dict.fromkeys(lights):
        count = lights.count(kind)
        word = _WORDS.get(kind, kind)
        words.append(word if count == 1 else f"{count} {word}{'s' if word.endswith('light') else ''}")
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
