"""What a key that only switches off must leave alone: each such circuit is on once while it is pressed."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

from bench.core.event import PRESS, RELEASE
from bench.spec.model import Function

from .act import WOBBLE_MS, Act, Script
from .desk import Desk
from .lost import may_run
from .pace import PROOF_MS, SIGNAL_MS
from .waking import leaves, momentaries

MOST_ROUNDS = 8  # what keeps each other off, and what may be a horn, comes in turn


def rest_stays(desk: Desk, f: Function) -> Script:
    """What was off at each press of the key so far is on at one."""
    left, is_clear = _left(desk, f), False
    for _ in range(MOST_ROUNDS if left else 0):
        yield from _round(desk, f, left)
        had, left = left, _left(desk, f)
        is_stuck = len(left) == len(had)
        if not left or (is_stuck and is_clear):
            break
        if is_stuck:
            yield from desk.all_off(desk.spec.circuits)
        is_clear = is_stuck
    yield from desk.all_off(desk.spec.circuits)


def _left(desk: Desk, f: Function) -> list[str]:
    had = desk.spared.seen[f.name]
    return [c for c in desk.spec.circuits if c not in had and c not in f.circuits and desk.reach(c)]


def _round(desk: Desk, f: Function, left: Sequence[str]) -> Script:
    """As many on as can be beside each other, and the key."""
    spec, about = desk.spec, f"on before {f.name}"
    lasting = [c for c in left if desk.has_own_key(c) or _is_switched_on(desk, c)]
    chosen = [c for c in lasting if not any(c in g.circuits for g in desk.functions("cycle"))]
    chosen += [c for g in desk.functions("cycle") for c in _position(g, lasting)]
    timed = [c for c in chosen if spec.circuits[c].auto_off is not None]
    yield from desk.together([c for c in chosen if c not in timed], on=True, about=about)
    yield from desk.together(timed, on=True, about=about)
    held, signal = list[str](), ""
    for g in momentaries(desk, [c for c in left if c not in lasting]):
        if not leaves(desk, g):
            continue
        if may_run(spec, g):
            held.append(desk.pick(g.name, "hold"))
            yield Act(PRESS, held[-1], 1, desk.pace.proof, f"{g.name} held before {f.name}")
        else:
            signal = signal or g.name
    text = f"{f.name}: others stay on"
    if signal:
        yield from _sounding(desk, signal, f, text)
    elif any(map(desk.is_on, left)):
        yield from desk.tap(f.name, "off", text, dwell=desk.brief_ms)
    for control in held:
        yield Act(RELEASE, control, 0, desk.pace.apart, f"{control} let go", urgent=2)


def _position(f: Function, left: Collection[str]) -> list[str]:
    """What is left of the position of a cycle that has most of it."""
    return max(([c for c in p if c in left] for p in f.positions), key=len, default=[])


def _is_switched_on(desk: Desk, circuit: str) -> bool:
    return any(circuit in g.circuits for g in desk.functions("on"))


def _sounding(desk: Desk, signal: str, f: Function, text: str) -> Iterator[Act]:
    """The key while what may be a horn sounds."""
    pace = desk.pace
    horn, key = desk.pick(signal, "hold"), desk.pick(f.name, "off")
    slot_ms = pace.apart + WOBBLE_MS
    rest_ms = max(pace.respond + PROOF_MS, SIGNAL_MS - _acts_ms(desk) - 2 * slot_ms)
    yield Act(PRESS, horn, 1, _acts_ms(desk), f"{signal} before {f.name}", opens=(key,))
    yield Act(PRESS, key, 1, pace.tap, text, urgent=1, as_tap=True)
    yield Act(RELEASE, key, 0, rest_ms - pace.tap, urgent=3, as_tap=True)
    yield Act(RELEASE, horn, 0, pace.apart, f"{signal} let go", urgent=4)


def _acts_ms(desk: Desk) -> float:
    """After a key goes down, until a circuit is on for certain."""
    return desk.pace.respond + max(b.shortest_press_ms for b in desk.spec.boxes.values())
