"""The supply as second witness: each circuit on and off alone, for as long as a reading of the supply takes.

In the tours many circuits move at once, and hide each other from an instrument that sees their sum alone.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

from bench.core.link import Meter
from bench.core.plan import Plan
from bench.loads import Load, drawn
from bench.loads.bands import BASE_A
from bench.spec.model import Function, Spec

from .pace import SIGNAL_MS
from .play import Player

READ_MS = 500.0  # two readings of a supply that is asked ten times a second, slow answers included
WITNESS = "second witness"
ALONE = "switched alone for the supply to see"


def with_witness(
    spec: Spec, plan: Plan, meter: Meter, limits_s: Mapping[str, float] | None = None,
    unloaded: Collection[str] = (),
) -> Plan:  # fmt: skip
    """`plan`, and then each circuit alone that such a supply can see. `limits_s`: longest time on that the
    bench bears, by circuit; `unloaded`: circuits with no load on this bench."""
    settle_ms = max(b.settle_ms for b in spec.boxes.values())
    player = Player(spec, plan, dwell_ms=settle_ms + meter.lag_ms + READ_MS)
    dwell_ms = player.pace.dwell
    left_out: dict[str, str] = {}
    shown = []
    for name in spec.circuits:
        why = _why_not(player, name, meter, dwell_ms, (limits_s or {}).get(name), unloaded)
        if why:
            left_out[name] = why
            continue
        tag = f"{WITNESS} {name}"
        player.to_rest("before one is switched alone")
        player.do(player.desk.switch(name, on=True, about=f"{name} on, for the supply to see", covers=(tag,)))
        player.do(player.desk.switch(name, on=False, about=f"{name} off, for the supply to see"))
        shown.append(name)
    player.to_rest("at the end")
    not_tested = dict(plan.not_tested)
    if left_out:
        by_reason: dict[str, list[str]] = {}
        for name, why in left_out.items():
            by_reason.setdefault(why, []).append(name)
        not_tested[ALONE] = "; ".join(f"{', '.join(names)}: {why}" for why, names in by_reason.items())
    covered = (*plan.covered, f"{WITNESS}: {'; '.join(shown)}") if shown else plan.covered
    return replace(
        plan, steps=(*plan.steps, *player.steps), duration_ms=player.t_ms, covered=covered,
        not_tested=not_tested,
    )  # fmt: skip


def _why_not(
    player: Player, name: str, meter: Meter, dwell_ms: float, limit_s: float | None, unloaded: Collection[str]
) -> str:
    """Why a circuit is not switched alone; empty when it is."""
    spec = player.spec
    circuit = spec.circuits[name]
    volts = spec.boxes[circuit.box].supply_v
    step = drawn(Load(circuit.load, circuit.rated_a, volts, circuit.tol_pct), 100.0, volts)
    if name in unloaded:
        return "no load on this bench"
    if step.lo_a <= meter.detects_a + 2 * BASE_A:
        return f"it may draw less than the {meter.detects_a + 2 * BASE_A:g} A that this supply shows for sure"
    if not player.desk.reach(name):
        return "no key brings it on"
    if limit_s is not None and limit_s * 1000.0 < 2 * dwell_ms:
        return "the bench profile limits how long it may run"
    if dwell_ms > SIGNAL_MS and _sounds(spec, name):
        return "it may be a horn, which sounds no longer than a test stroke"
    return ""


def _sounds(spec: Spec, name: str) -> bool:
    """Whether nothing but a momentary key works it, and no rule has to do with it: it may be a horn."""
    works: list[Function] = [f for f in spec.functions.values() if name in f.circuits]
    ruled = {r.circuit for r in spec.follows} | {s for r in spec.follows for s in r.sources}
    ruled |= {r.circuit for r in spec.inhibits} | {s for r in spec.inhibits for s in r.sources}
    return all(f.kind == "momentary" for f in works) and name not in ruled
