"""What one transition shows of the spec, as tags of coverage."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from bench.spec.model import Function, Inhibit, Spec

from .machine import Letter

On = Mapping[str, bool]


def earns(
    spec: Spec, letter: Letter, before: On, after: On, active: frozenset[str], *, stood: bool = False
) -> tuple[str, ...]:
    """Tags of a letter that led from `before` to `after`, which say of each circuit whether it was on.
    `active`: sensors, as the letter left them. `stood`: each circuit of a scene was at its level before."""
    found: list[str] = []
    function = spec.functions.get(letter.name) if letter.kind in ("tap", "down", "up") else None
    if letter.kind == "end":
        timed = letter.name in spec.circuits
        found.append(f"auto-off {letter.name}" if timed else f"cycle {letter.name} starts anew")
    elif letter.kind == "sensor":
        found += _forces(spec, letter.name, before, active)
    elif function is not None:
        found += _own(function, before, after, stood=stood)
        if function.kind == "group":
            found += _in_part(
                function, before, [m for m in function.members if is_free(spec, m, before, active)]
            )
        found += [
            f"force {f.circuit} press meanwhile"
            for f in spec.forces
            if f.sensor in active and f.circuit in function.circuits
        ]
    for rule in spec.inhibits:
        found += _inhibit(rule, None if letter.kind == "up" else function, before, after)
    for follow in spec.follows:
        for s in follow.sources:
            if before.get(s, False) != after.get(s, False):
                done = "begins" if after[s] else f"ends ({follow.release})"
                found.append(f"follow {follow.circuit} of {s} {done}")
    return tuple(dict.fromkeys(found))


def effect_of(function: Function, before: On, after: On) -> str:
    """`position 2` of a cycle, else `on` or `off` when a circuit of its own went so, else `same`."""
    own = function.circuits
    for i, position in enumerate(function.positions):
        if all(after[c] == (c in position) for c in own):
            return f"position {i + 1}"
    if any(after[c] and not before[c] for c in own):
        return "on"
    return "off" if any(before[c] and not after[c] for c in own) else "same"


def _own(function: Function, before: On, after: On, *, stood: bool) -> Iterator[str]:
    effect, kind, name = effect_of(function, before, after), function.kind, function.name
    if kind == "momentary":
        yield f"momentary {name}"
    elif kind == "scene":
        undone = any(before[c] and not after[c] for c, level in function.presets.items() if level > 0)
        if undone or stood:
            yield f"scene {name} again"
        elif effect != "same":
            yield f"scene {name} applied"
    elif kind in ("on", "off"):
        yield f"{kind} {name}"
    elif effect != "same":
        yield f"{kind} {function.members[0] if kind == 'toggle' else name} {effect}"


def is_free(spec: Spec, circuit: str, on: On, active: frozenset[str]) -> bool:
    """Whether a press moves it: neither inhibited nor forced."""
    held = any(i.circuit == circuit and any(on.get(s) for s in i.sources) for i in spec.inhibits)
    return not held and not any(f.circuit == circuit and f.sensor in active for f in spec.forces)


def _in_part(function: Function, before: On, free: list[str]) -> Iterator[str]:
    """What cannot be moved has no say in what a press in part does."""
    lit = [m for m in free if before[m]]
    if len(lit) == 1 < len(free):
        yield f"group {function.name} part on {lit[0]}"


def _forces(spec: Spec, sensor: str, before: On, active: frozenset[str]) -> Iterator[str]:
    for force in spec.forces:
        if force.sensor != sensor:
            continue
        if sensor not in active:
            yield f"force {force.circuit} ends"
            continue
        yield f"force {force.circuit} by {sensor}"
        if before[force.circuit]:
            yield f"force {force.circuit} while on"
        if any(before.get(s) for i in spec.inhibits if i.circuit == force.circuit for s in i.sources):
            yield f"force {force.circuit} over inhibit ({force.over_inhibit})"


def _inhibit(rule: Inhibit, function: Function | None, before: On, after: On) -> Iterator[str]:
    target = rule.circuit
    if target not in before:
        return
    for s in rule.sources:
        pressed = function is not None and function.kind != "off" and target in function.circuits
        if pressed and before[s] and after[s] and not before[target] and not after[target]:
            yield f"inhibit {target} by {s} refused"
        if not before[s] and after[s] and before[target] and not after[target]:
            yield f"inhibit {target} by {s} running"
