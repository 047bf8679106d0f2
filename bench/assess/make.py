"""A judge of the whole boat, made from its spec."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from bench.core.model import Model
from bench.definitions import Definitions
from bench.judge import Judge, SignalRule
from bench.judge.found import Found
from bench.judge.rules import MS
from bench.loads import Load
from bench.spec.model import Spec


def make_judge(
    spec: Spec,
    definitions: Definitions,
    model: Model,
    rules: Mapping[str, SignalRule],
    loads: Mapping[str, Load],
    found: Callable[[Found], None],
    unclear: Callable[[int, str, str], None],
) -> Judge:
    """A judge that has not begun. `found`, `unclear`: told of deviations, and of what it cannot follow."""
    box_of_circuit = {c.name: spec.boxes[c.box] for c in spec.circuits.values()}
    judge = Judge(
        model,
        rules,
        loads,
        {c: round(box.settle_ms * MS) for c, box in box_of_circuit.items()},
        found,
        tuple(spec.boxes),
        unclear,
        {c: round(box.resolves_ms * MS) for c, box in box_of_circuit.items()},
        {c: round(box.shortest_press_ms * MS) for c, box in box_of_circuit.items()},
        definitions.messages_of,
    )
    ruled = {r.circuit for r in spec.follows} | {r.circuit for r in spec.inhibits}
    ruled |= {c.name for c in spec.circuits.values() if c.auto_off is not None}
    judge.ruled = frozenset(judge.cluster_of[c] for c in ruled)
    return judge


def hold_perhaps(spec: Spec, judge: Judge) -> None:
    """Judging begins in the middle: any momentary key may be down already."""
    for control in spec.controls.values():
        function = spec.functions.get(control.function)
        if function is not None and function.kind == "momentary":
            judge.perhaps_held(control.name, function.members[0])
