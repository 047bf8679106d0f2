"""What a finished plan says of itself: what it covers, what it leaves out and why."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from bench.spec.model import Spec

from .burst import BURST
from .coverage import SPARES
from .lost import LOST, not_lost
from .scenario import SCENARIO, needs_supply
from .tour import TOUR, Tour


def by_behaviour(tags: Iterable[str]) -> dict[str, list[str]]:
    out: dict[str, list[str]] = {}
    for tag in tags:
        behaviour, _, rest = tag.partition(" ")
        out.setdefault(behaviour, []).append(rest)
    return out


def covered_words(tags: Iterable[str], toured: Sequence[Tour]) -> list[str]:
    """One line per behaviour, complete enough to recount."""
    found = by_behaviour(tags)
    done = Counter(tag.partition(": ")[0] for tag in found.pop(TOUR, ()))
    if done:
        found[TOUR] = [t.said(done[t.title]) for t in toured]
    if said := [text for t in toured if (text := t.said_of_sequences())]:
        found["sequences"] = said
    if said := [text for t in toured if (text := t.said_of_checks())]:
        found["transitions to a wrong state that looks right"] = said
    return [f"{behaviour}: {_listed(behaviour, rest)}" for behaviour, rest in sorted(found.items())]


def _listed(behaviour: str, rest: Sequence[str]) -> str:
    """What is told of one behaviour; what keys spare by function."""
    if behaviour != SPARES:
        return "; ".join(rest)
    spared: dict[str, list[str]] = {}
    for text in rest:
        function, _, circuit = text.partition(" ")
        spared.setdefault(function, []).append(circuit)
    return "; ".join(f"{function} {', '.join(circuits)}" for function, circuits in spared.items())


def never(spec: Spec, tags: Iterable[str], *, supply: bool) -> dict[str, str]:
    """What this plan cannot or does not touch, and why."""
    have = set(tags)
    out: dict[str, str] = {}
    for circuit in spec.circuits:
        if not any(t.startswith(f"current {circuit} at ") for t in have):
            out[f"current of {circuit}"] = "it is never on for long enough to be watched"
    for control in spec.controls.values():
        kind = spec.functions[control.function].kind
        for effect in ("on", "off"):
            if kind not in ("on", "off") and f"control {control.name} {effect}" not in have:
                out[f"{control.name} switching {effect}"] = "no press of it has this effect in this plan"
    for f in spec.functions.values():
        names = [c for c in spec.circuits if c not in f.circuits and f"{SPARES} {f.name} {c}" not in have]
        if names and f.kind == "off" and any(c.function == f.name for c in spec.controls.values()):
            out[f"{f.name} leaving alone {', '.join(names)}"] = "never on in this plan as it is pressed"
    if not supply and any(t.startswith("wake ") for t in have):
        out["loss of the supply"] = "the bench cannot switch it"
    for name, steps in spec.scenarios.items():
        if not supply and needs_supply(steps):
            out[f"{SCENARIO} {name}"] = "it takes the supply away, which the bench cannot switch"
    out["by hand"] = "needs a person or a fixture at the box"
    trips = [c.name for c in spec.circuits.values() if c.trip is not None]
    if trips:
        out["overload trip"] = f"needs a person with a load that overloads it: {', '.join(trips)}"
    out["open load"] = "nothing is agreed of what a box says of it; its current shows it"
    if any(b.supply is not None for b in spec.boxes.values()):
        out["supply low"] = "needs a supply whose voltage can be set"
    out |= dict(not_lost(spec, have))
    burst = any(t.startswith(f"{BURST} ") for t in have)
    out["long sequences" if burst else "presses closer together, long sequences"] = "not part of this plan"
    if not any(t.startswith("wake ") for t in have):
        out["wake-up"] = "the bench cannot switch the supply"
    return out


KINDS = {
    SCENARIO: "scenarios",
    TOUR: "transitions", "control": "keys", "current": "currents", "dim": "dimming", "scene": "scenes",
    "wake": "waking up", "auto-off": "timers", "cycle": "cycles", "toggle": "toggles", "group": "groups",
    "momentary": "momentary keys", "force": "sensors", "inhibit": "inhibits", "follow": "follows",
    LOST: "panels, screens and sensors that fall silent", BURST: "keys pressed together",
    "on": "keys that only switch on", "off": "keys that only switch off", "outside": "keys without effect",
    SPARES: "what keys that only switch off leave alone",
}  # fmt: skip


def uncovered(missing: Iterable[str], toured: Iterable[Tour]) -> dict[str, str]:
    """Tags that a plan lacks, as kind of fault -> which."""
    found = by_behaviour(missing)
    lost = Counter(tag.partition(": ")[0] for tag in found.pop(TOUR, ()))
    out: dict[str, str] = {}
    if lost:
        rows = [(t.title, lost[t.title], len(set(t.moves))) for t in toured if lost[t.title]]
        out[KINDS[TOUR]] = "; ".join(f"{n} of {most} of {title}" for title, n, most in rows)
    for behaviour, kind in KINDS.items():
        if behaviour in found:
            out[kind] = _listed(behaviour, found[behaviour])
    return out
