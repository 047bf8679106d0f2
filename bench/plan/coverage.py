"""What the steps of a plan earn, recounted from the steps alone on a boat simulated afresh."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from functools import partial

from bench.core.event import SUPPLY, WAKE
from bench.core.plan import Step
from bench.spec.model import Spec

from .pace import Pace
from .sim import Sim
from .spared import Spared

Levels = dict[str, tuple[float, float]]
UNKNOWN = (0.0, 100.0)
SPARES = "spares"


def recount(spec: Spec, sim: Sim, steps: Sequence[Step], pace: Pace, end_ms: float) -> list[list[str]]:
    """Tags earned by each step: `control C on`, `control C off`, `current X at L %`, and
    `spares F X`: a key of F, which only switches off, left that circuit on.

    A current counts when its level stood still for `pace.steady` ms; it is credited to the step
    after which the level began. A level that is only known within limits may move while a key is held.
    """
    earned: list[list[str]] = [[] for _ in steps]
    plateau = {c: (levels, 0.0, 0) for c, levels in sim.levels().items()}
    pressed: dict[str, tuple[int, Levels]] = {}
    spared = Spared(spec, pace)

    def look(index: int) -> None:
        now = sim.levels()
        moving = {c for name in pressed for c in spec.functions[spec.controls[name].function].circuits}
        _credit(plateau, now, moving, sim.now_ms, pace, earned, index)
        for control, (began, before) in pressed.items():
            _effects(spec, control, before, now, earned[began])

    def leave(kind: str, name: str, index: int) -> None:
        for left in spared.before(sim, kind, name, index):
            earned[left.step].append(f"{SPARES} {left.function} {left.circuit}")

    for i, step in enumerate(steps):
        _pass_time(sim, step.at_ms, partial(look, i - 1))
        leave(step.kind, step.name, i)
        if step.kind == "press" and step.name in spec.controls:
            pressed[step.name] = i, sim.levels()
        elif step.kind in (SUPPLY, WAKE):
            pressed.clear()  # what goes off now is not the doing of a key that is held
        _disown(pressed, step.name, sim.beside(step.name))
        sim.enact(step.kind, step.name, step.value)
        look(i)
        if step.kind == "release" and step.name in pressed:
            began, before = pressed.pop(step.name)
            did = list[str]()
            _released(spec, step.name, before, sim.levels(), did)
            earned[i] += [tag for tag in did if tag not in earned[began]]
    _pass_time(sim, end_ms, partial(look, len(steps) - 1))
    leave("", "", len(steps))
    return [list(dict.fromkeys(tags)) for tags in earned]


def _pass_time(sim: Sim, to_ms: float, look: Callable[[], None]) -> None:
    """Advance, looking at every instant at which something happens by itself."""
    while True:
        dues = [hi for _, hi in sim.due_ms(set(sim.cluster_of.values())) if hi < to_ms]
        sim.advance(min(dues, default=to_ms))
        look()
        if not dues:
            return


def _disown(pressed: dict[str, tuple[int, Levels]], name: str, circuits: Collection[str]) -> None:
    """What becomes of these from now on is no effect of the other keys that are down."""
    for other in pressed if circuits else ():
        if other != name:
            began, before = pressed[other]
            pressed[other] = began, before | dict.fromkeys(circuits, UNKNOWN)


def _effects(spec: Spec, control: str, before: Levels, after: Levels, tags: list[str]) -> None:
    for circuit in spec.functions[spec.controls[control].function].circuits:
        if before[circuit][1] <= 0 < after[circuit][0]:
            tags.append(f"control {control} on")
        if before[circuit][0] > 0 >= after[circuit][1]:
            tags.append(f"control {control} off")


def _released(spec: Spec, control: str, before: Levels, after: Levels, tags: list[str]) -> None:
    """What only the release did: a short press that dims off, a momentary that ends."""
    function = spec.functions[spec.controls[control].function]
    _effects(spec, control, before, after, tags)
    if function.kind == "momentary" and after[function.members[0]][1] <= 0:
        tags.append(f"control {control} off")


def _credit(
    plateau: dict[str, tuple[tuple[float, float], float, int]],
    now: Levels,
    moving: Collection[str],
    t_ms: float,
    pace: Pace,
    earned: list[list[str]],
    index: int,
) -> None:
    for circuit, level in now.items():
        held, since_ms, began = plateau[circuit]
        if level != held or (circuit in moving and level[0] != level[1]):
            plateau[circuit] = (level, t_ms, index)
        elif level[0] > 0 and t_ms - since_ms >= pace.steady and began >= 0:
            text = f"{level[0]:g} %" if level[0] == level[1] else "a dimmed level"
            tag = f"current {circuit} at {text}"
            if tag not in earned[began]:
                earned[began].append(tag)
