"""The supply as second witness: each circuit on and off alone, for as long as a reading of the supply takes.

In the tours many circuits move at once, and hide each other from an instrument that sees their sum alone.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

from bench.core.link import Meter
from bench.core.plan import Plan, Step
from bench.loads import Load, drawn, wander_a
from bench.loads.bands import BASE_A
from bench.spec.model import Function, Spec

from .coverage import Levels
from .pace import SIGNAL_MS
from .play import Player

READ_MS = 500.0  # two readings of a supply that is asked ten times a second, slow answers included
WITNESS = "second witness"
OFF, FULL = (0.0, 0.0), (100.0, 100.0)
PULSED_PCT = 50.0  # stands for any level between
ALONE = "switched alone for the supply to see"


def with_witness(
    spec: Spec, plan: Plan, meter: Meter, limits_s: Mapping[str, float] | None = None,
    unloaded: Collection[str] = (),
) -> Plan:  # fmt: skip
    """`plan`, and then each circuit alone that such a supply can see. `limits_s`: longest time on that the
    bench bears, by circuit; `unloaded`: circuits with no load on this bench."""
    settle_ms = max(b.settle_ms for b in spec.boxes.values())
    player = Player(spec, plan, dwell_ms=settle_ms + meter.lag_ms + READ_MS)
    left_out: dict[str, str] = {}
    shown = []
    for name in spec.circuits:
        why = _why_not(player, name, meter, (limits_s or {}).get(name), unloaded)
        if not why and not _alone(player, name, meter, unloaded):
            why = "others go on and off with it, or it comes on dimmed"
        if why:
            left_out[name] = why
        else:
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


def _alone(player: Player, name: str, meter: Meter, unloaded: Collection[str]) -> bool:
    """On and off again; taken back where the supply could tell of neither."""
    steps, t_ms, sim = len(player.steps), player.t_ms, player.sim.copy()
    player.to_rest("before one is switched alone")
    player.settle()
    told = False
    for on in (True, False):
        word = "on" if on else "off"
        tags = (f"{WITNESS} {name}",) if on else ()
        about = f"{name} {word}, for the supply to see"
        for act in player.desk.switch(name, on=on, about=about, covers=tags):
            before = player.sim.levels()
            player.step(Step(player.t_ms, act.kind, act.name, act.value, act.about, act.covers), act.then_ms)
            if _tells(player.spec, name, before, player.sim.levels(), meter, unloaded):
                told = True
        player.settle()
    if told:
        return True
    del player.steps[steps:]
    player.t_ms, player.sim, player.desk.sim = t_ms, sim, sim
    return False


def _tells(
    spec: Spec, name: str, before: Levels, after: Levels, meter: Meter, unloaded: Collection[str]
) -> bool:
    """Whether the sum of currents shows that this one went on or off, whatever the others draw."""
    if {before[name], after[name]} != {OFF, FULL}:
        return False
    hidden_a = meter.detects_a + 2 * BASE_A
    for c in spec.circuits.values():
        if c.name == name or c.name in unloaded:
            continue
        volts = spec.boxes[c.box].supply_v
        load = Load(c.load, c.rated_a, volts, c.tol_pct)
        a, b = (_level(levels[c.name]) for levels in (before, after))
        if a == b and a is not None:
            hidden_a += 2 * wander_a(load, a, volts)
        else:
            hidden_a += sum(d.hi_a - d.lo_a for d in (drawn(load, a, volts), drawn(load, b, volts)))
    return _load_step(spec, name) > hidden_a


def _level(span: tuple[float, float]) -> float | None:
    return span[0] if span in (OFF, FULL) else PULSED_PCT


def _load_step(spec: Spec, name: str) -> float:
    """The least that it draws."""
    circuit = spec.circuits[name]
    volts = spec.boxes[circuit.box].supply_v
    return drawn(Load(circuit.load, circuit.rated_a, volts, circuit.tol_pct), 100.0, volts).lo_a


def _why_not(
    player: Player, name: str, meter: Meter, limit_s: float | None, unloaded: Collection[str]
) -> str:
    """Why a circuit is not switched alone; empty when it is to be tried."""
    spec, dwell_ms = player.spec, player.pace.dwell
    if name in unloaded:
        return "no load on this bench"
    if _load_step(spec, name) <= meter.detects_a + 2 * BASE_A:
        return f"it may draw less than the {meter.detects_a + 2 * BASE_A:g} A that this supply shows for sure"
    dim = spec.circuits[name].dim
    if dim is not None and dim.memory == "kept_through_supply_loss":
        return "it comes on as dimmed as it was left once, which nobody knows"
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
