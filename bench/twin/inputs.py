"""What can be done to a virtual box that concerns some of its channels."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

from .tables import NodeRow, OperationRow, Tables, node_name
from .touched import edited_keys, is_dimming


class Input(NamedTuple):
    """Done at one instant: its name for people; methods of the Twin, or `wait`, each with its arguments."""

    name: str
    does: tuple[tuple[str, tuple[Any, ...]], ...]

    @classmethod
    def one(cls, name: str, verb: str, *args: str | int) -> Input:
        """One call."""
        return cls(name, ((verb, args),))


def inputs_of(tables: Tables, wrong: Tables, channels: frozenset[int], *, rig: bool) -> Iterator[Input]:
    """Keys, sensors, half of each time that matters, and waking up; `rig`: by hand, trips, lost panels and
    low supply besides. In either of the two boxes."""
    yield from _keys(tables, wrong, channels)
    rows = [*tables.forces, *wrong.forces]
    for number in sorted({r.input for r in rows if r.channel in channels}):
        for value in (1, 0):
            yield Input.one(f"input {number} {'on' if value else 'off'}", "sensor", number, value)
    for ms in sorted({*_times_ms(tables, channels), *_times_ms(wrong, channels)}):
        yield Input.one(f"wait {ms / 2e3:g} s", "wait", int(ms * 5e5))
    yield Input.one("wake up", "wake")
    if rig:
        yield from _by_rig(tables, channels)


def _keys(tables: Tables, wrong: Tables, channels: frozenset[int]) -> Iterator[Input]:
    """Of keys that do the same in both boxes one is enough, or two where they can be held."""
    had: dict[tuple[int, int], int] = {}
    changed = edited_keys(tables, wrong)
    for mine, others in zip(tables.keys, wrong.keys, strict=True):
        pairs = (mine, tables), (others, wrong)
        works = [(o, t) for k, t in pairs if (o := t.operation.get(k.operation))]
        if (mine.node, mine.key) not in changed and not any(channels & set(o.members) for o, _ in works):
            continue
        held = any(_is_held(t, o) for o, t in works)
        pair = mine.operation, others.operation
        had[pair] = had.get(pair, 0) + 1
        if had[pair] <= 1 + held:
            name, key = f"{mine.node} {mine.key}", (mine.node, mine.key)
            if held:
                yield Input(f"press {name}", (("press", key),))
                yield Input(f"release {name}", (("release", key),))
            else:
                yield Input(f"tap {name}", (("press", key), ("release", key)))


def _is_held(tables: Tables, operation: OperationRow) -> bool:
    return operation.code == "while_held" or is_dimming(tables, operation)


def _times_ms(tables: Tables, channels: frozenset[int]) -> Iterator[float]:
    for c in channels & set(tables.channel):
        row = tables.channel[c]
        if row.off_after_ms:
            yield row.off_after_ms
        if row.dim is not None:
            yield row.dim.hold_ms
    for operation in tables.operations:
        if operation.restart_after_ms and channels & set(operation.members):
            yield operation.restart_after_ms


def _by_rig(tables: Tables, channels: frozenset[int]) -> Iterator[Input]:
    for c in sorted(channels):
        box = tables.box_of(c)
        own, name = c - box.first + 1, channel_name(tables, c)
        yield Input.one(f"{name} by hand", "by_hand", box.name, own, 1)
        yield Input.one(f"{name} no longer by hand", "by_hand", box.name, own, 0)
        row = tables.channel.get(c)
        if row is not None and row.trip is not None:
            yield Input.one(f"{name} trips", "trip", box.name, own)
    forced = {f"input {f.input}" for f in tables.forces if f.channel in channels}
    for talker in tables.talkers:
        name = node_name(talker)
        if talker.lost_ms and (isinstance(talker, NodeRow) or name in forced):
            yield Input(f"{name} lost", (("lost", (name, True)), ("lost", (name, False))))
    for box in tables.boxes:
        if box.shed is not None and channels & set(box.shed.channels):
            yield Input.one(f"supply of {box.name} low", "shed", box.name, 1)
            yield Input.one(f"supply of {box.name} back", "shed", box.name, 0)


def channel_name(tables: Tables, number: int) -> str:
    """`main 14`."""
    row = tables.box_of(number)
    return f"{row.name} {number - row.first + 1}"
