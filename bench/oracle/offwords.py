"""Ways to switch each circuit off by its controls, the gentlest first.

Meant for a circuit that is *reported* on while the sensors that force it are at rest, it is not by
hand and its box is awake: then a word of `switches_on` = () never makes any output go on. Words that may do
that on the way (a cycle that comes by other positions, a scene that must be applied first) come
last, for circuits that have nothing better. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from bench.spec.model import Control, Function, Spec


@dataclass(frozen=True, slots=True)
class OffWord:
    """Tap `control` up to `presses` times, each `tap_ms` long, until the circuit reports off.

    `also`: other circuits that may change; `switches_on`: those that may go on meanwhile. A word of
    0 presses names a sensor ("sensor bilge_float") that has to be at rest.
    """

    control: str
    presses: int
    tap_ms: float
    also: tuple[str, ...] = ()
    switches_on: tuple[str, ...] = ()


def off_words(spec: Spec) -> Mapping[str, tuple[OffWord, ...]]:
    """For each circuit its words, best first; empty when no control switches it off."""
    return {name: tuple(_ranked(spec, name)) for name in spec.circuits}


def _ranked(spec: Spec, circuit: str) -> list[OffWord]:
    words = [w for control in spec.controls.values() for w in _words(spec, control, circuit)]
    words.sort(key=lambda w: (len(w.switches_on), len(w.also), w.presses))  # stable: the spec's order
    resting = [OffWord(f"sensor {f.sensor}", 0, 0.0) for f in spec.forces if f.circuit == circuit]
    return resting + words


def _words(spec: Spec, control: Control, circuit: str) -> Iterator[OffWord]:
    function = spec.functions[control.function]
    if circuit not in function.circuits:
        return
    presses, on = _effort(function, circuit)
    if presses:
        others = _touched(spec, function, circuit)
        yield OffWord(control.name, presses, tap_ms(spec, control), others, on)


def _effort(function: Function, circuit: str) -> tuple[int, tuple[str, ...]]:
    """Presses until the circuit is off, and what may go on before; 0 presses: never off."""
    others = tuple(c for c in function.circuits if c != circuit)
    match function.kind:
        case "toggle" | "off" | "momentary":
            return 1, ()
        case "group":
            return (1, ()) if function.part_on == "all_off" else (2, others)
        case "cycle":
            return len(function.positions), others
        case "scene" if not function.presets[circuit]:
            return 1, tuple(c for c in others if function.presets[c])
        case "scene" if function.again == "off":
            return 2, tuple(c for c in others if function.presets[c])
    return 0, ()


def _touched(spec: Spec, function: Function, circuit: str) -> tuple[str, ...]:
    """Everything but the circuit that the function writes, and what follows that."""
    found = dict.fromkeys((*function.circuits, circuit))
    for _ in spec.follows:
        for rule in spec.follows:
            moves = rule.release == "drop" or len(function.circuits) > 1
            if moves and any(s in found for s in rule.sources):
                found[rule.circuit] = None
    return tuple(c for c in found if c != circuit)


def tap_ms(spec: Spec, control: Control) -> float:
    """A press that surely counts and is surely no dimming hold, in ms."""
    box = spec.boxes[(spec.panels if control.kind == "panel" else spec.screens)[control.node].box]
    t = box.timing_ms
    wanted = max(60.0, 2.0 * box.shortest_press_ms, box.shortest_press_ms + t.scan + t.debounce + t.task)
    holds = [
        d.hold_ms - box.respond_ms
        for c in spec.functions[control.function].circuits
        if (d := spec.circuits[c].dim) is not None
    ]
    return min([wanted, *(max(h, box.shortest_press_ms + t.scan) for h in holds)])
