"""Defects of firmware, wiring, sensors and bus wherever a boat's box can have them."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from .faults import FAIL, Fault, fault_kinds
from .inputs import channel_name
from .tables import OperationRow, Tables

Places = Callable[[Tables], Iterator[str]]


def box_defects(tables: Tables) -> Iterator[Fault]:
    """Each kind that a run must find on this boat (faults.toml), of the size it has there: on every key,
    channel or frame that it can concern; where its size fits one circuit alone, on that one."""
    boat = tables.name.lower()
    for kind in fault_kinds().values():
        expected = kind.expected.get(boat)
        if expected is None or expected.outcome != FAIL or kind.kind in BY_EDITS:
            continue
        if kind.where not in WHERE:
            continue
        first, slash, size = expected.argument.partition("/")
        places = PLACES.get(kind.kind)
        for place in places(tables) if places else (first,):
            yield Fault(kind.kind, f"{place}{slash}{size}")


def _keys(tables: Tables) -> Iterator[str]:
    had = set[int]()
    for k in tables.keys:
        if k.operation in tables.operation and k.operation not in had:
            had.add(k.operation)
            yield f"{k.node} {k.key}"


def _lit(tables: Tables) -> Iterator[str]:
    """Keys whose lamp is not the only one, and so changes when another key is used, too."""
    works = [k for k in tables.keys if k.lamp and k.operation in tables.operation]
    for k in works:
        mine = _looks_at(tables.operation[k.operation], k.lamp.channels if k.lamp else ())
        others = [o for p in tables.keys if p != k and (o := tables.operation.get(p.operation))]
        if any(mine & set(o.members) for o in others):
            yield f"{k.node} {k.key}"


def _looks_at(operation: OperationRow, own: tuple[int, ...]) -> set[int]:
    return set(own or operation.members)


def _channels(tables: Tables) -> Iterator[str]:
    """Those that a key works."""
    reached = {c for k in tables.keys if (o := tables.operation.get(k.operation)) for c in o.members}
    yield from (channel_name(tables, c) for c in sorted(reached))


def _timed(tables: Tables) -> Iterator[str]:
    yield from (channel_name(tables, c.number) for c in tables.channels if c.off_after_ms)


def _remembering(tables: Tables) -> Iterator[str]:
    rows = (c for c in tables.channels if c.dim is not None and c.dim.memory != "none")
    yield from (channel_name(tables, c.number) for c in rows)


def _frames(tables: Tables) -> Iterator[str]:
    yield from (f.name for f in tables.frames if f.cycle_ms)


def _of_keys(tables: Tables) -> Iterator[str]:
    """Frames that show what keys do."""
    shown = {"state", "level", "lamp", "backlight"}
    yield from (f.name for f in tables.frames if f.cycle_ms and any(x.kind in shown for x in f.fields))


def _counting(tables: Tables) -> Iterator[str]:
    rows = (f for f in tables.frames if f.cycle_ms and any(field.kind == "counter" for field in f.fields))
    yield from (f.name for f in rows)


WHERE = ("firmware", "wiring", "sensor", "bus")  # by hand, and what is to be seen, needs a person
BY_EDITS = ("swapped_outputs", "cross_talk", "stray_off", "after_keys")  # scored as kinds of their own
PLACES: dict[str, Places] = {
    "late_key": _keys,
    "timer_survives_off": _timed,
    "stale_lamp": _lit,
    "memory_lost": _remembering,
    "chatter": _channels,
    "state_late": _channels,
    "counter_stuck": _counting,
    "frames_stop": _frames,
    "wake_keeps": _channels,
    "open_load": _channels,
    "shorted": _channels,
    "output_dead": _channels,
    "current_gain": _channels,
    "frames_lost": _counting,
    "frames_late": _of_keys,
}
