"""A dimming range that the box cannot show or that other levels leave."""

from __future__ import annotations

from bench.core.errors import Complaint
from bench.spec.model import Circuit, Dim, Spec

from .finding import finding

FEWEST_STEPS = 4  # reported steps within the range; assumed, below it a ramp is a staircase


def check(spec: Spec) -> list[Complaint]:
    """Errors where a ramp or its lower end cannot be seen; warnings where a level lies outside."""
    return [
        complaint
        for circuit in spec.circuits.values()
        if circuit.dim is not None
        for complaint in (*_visible(spec, circuit, circuit.dim), *_levels(spec, circuit, circuit.dim))
    ]


def _visible(spec: Spec, circuit: Circuit, dim: Dim) -> list[Complaint]:
    step = spec.boxes[circuit.box].level_step_pct
    at = f"circuits.{circuit.name}.dim"
    if dim.min_pct < step:
        text = (
            f'circuit "{circuit.name}" dims down to {dim.min_pct:g} %, '
            f"less than one reported step of {step:g} %"
        )
        return [finding(spec, f"{at}.min_pct", text, f"at least {step:g} %", "it would read as off")]
    if 100 - dim.min_pct < FEWEST_STEPS * step:
        text = (
            f'circuit "{circuit.name}" dims over {100 - dim.min_pct:g} %, '
            f"less than {FEWEST_STEPS} reported steps of {step:g} %"
        )
        return [finding(spec, f"{at}.min_pct", text, "a wider range or smaller steps")]
    return []


def _levels(spec: Spec, circuit: Circuit, dim: Dim) -> list[Complaint]:
    name = circuit.name
    levels = [
        (f"functions.{f.name}.scene.{name}", f'scene "{f.name}" sets', f.presets[name])
        for f in spec.functions.values()
        if name in f.presets
    ]
    levels += [("rules", "wake-up sets", w.level_pct) for w in spec.wakes if name in w.circuits]
    return [
        finding(
            spec,
            where,
            f'{who} circuit "{name}" to {level:g} %, below its dimming range from {dim.min_pct:g} %',
            f"0, or at least {dim.min_pct:g} %",
            warning=True,
        )
        for where, who, level in levels
        if 0 < level < dim.min_pct
    ]
