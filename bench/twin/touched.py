"""What differs between two boxes: keys, and the channels that their rows name."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from .quirks import Quirks
from .tables import KeyRow, OperationRow, Tables, node_name

OF_CHANNELS = ("channels", "follows", "inhibits", "forces", "wakes", "backlights")
COMPARED = ("keys", "operations", *OF_CHANNELS, "nodes", "inputs")  # tables that are looked at here


def edited_keys(tables: Tables, wrong: Tables) -> frozenset[tuple[str, int]]:
    """Keys that are another in `wrong`, or whose operation is."""
    return frozenset(
        (a.node, a.key)
        for a, b in zip(tables.keys, wrong.keys, strict=True)
        if a != b or tables.operation.get(a.operation) != wrong.operation.get(b.operation)
    )


def touched(tables: Tables, wrong: Tables, quirks: Quirks) -> tuple[frozenset[int], frozenset[int]]:
    """Channels in which the rows that differ, differ; and all channels that these rows name."""
    near, far = set[int](), set[int]()
    for a, b in zip(tables.keys, wrong.keys, strict=True):
        if a != b:
            near.update(_of_key(tables, a), _of_key(wrong, b))
    for number in {o.number for o in (*tables.operations, *wrong.operations)}:
        mine, others = tables.operation.get(number), wrong.operation.get(number)
        if mine and others and mine != others:
            near.update(_apart(mine, others))
            far.update(mine.members, others.members)
    for name in OF_CHANNELS:
        rows, others_rows = getattr(tables, name), getattr(wrong, name)
        near.update(c for row in _unlike(rows, others_rows) for c in _named(tables, row))
    near.update(_at_loss(tables, wrong))
    for number in quirks.latches:
        near.update(tables.operation[number].members)
    for mishap in quirks.mishaps:
        near.update(tables.operation[mishap.operation].members, (c for c, _ in mishap.outputs))
    return frozenset(near), frozenset(near | far)


def never_lost(tables: Tables, wrong: Tables) -> frozenset[str]:
    """Nodes, and `input N`, that are lost at other times: if it makes no difference whether they are at all,
    it makes none when."""
    pairs = zip(tables.talkers, wrong.talkers, strict=True)
    return frozenset(node_name(a) for a, b in pairs if a.lost_ms != b.lost_ms)


def _at_loss(tables: Tables, wrong: Tables) -> Iterator[int]:
    """Channels of keys and sensors whose loss means something else, or comes at another time."""
    for node, other in zip(tables.nodes, wrong.nodes, strict=True):
        rows = [o for k in tables.keys if k.node == node.name and (o := tables.operation.get(k.operation))]
        held = [o for o in rows if o.code == "while_held"]
        is_timed = node.lost_ms != other.lost_ms
        if node.held != other.held or (is_timed and node.held == "release"):
            yield from (c for o in held for c in o.members)
        if node.dim != other.dim or (is_timed and node.dim == "freeze"):
            yield from (c for o in rows if is_dimming(tables, o) for c in o.members)
        if node.others != other.others or (is_timed and node.others == "off"):
            yield from (c for o in rows if o not in held for c in o.members)
    for entry, other_entry in zip(tables.inputs, wrong.inputs, strict=True):
        if entry.on_lost != other_entry.on_lost or (entry != other_entry and entry.on_lost != "hold"):
            yield from (f.channel for f in tables.forces if f.input == entry.number)


def is_dimming(tables: Tables, operation: OperationRow) -> bool:
    """Whether its keys dim while they are held."""
    dims = any(tables.channel[c].dim for c in operation.channels if c in tables.channel)
    return operation.dims or (operation.code == "toggle" and dims)


def _of_key(tables: Tables, row: KeyRow) -> Iterator[int]:
    for number in (row.operation, row.lamp_operation):
        if number in tables.operation:
            yield from tables.operation[number].members
    if row.lamp is not None:
        yield from row.lamp.channels


def _apart(mine: OperationRow, others: OperationRow) -> set[int]:
    """Members of only one of them or at another level; all, where that says nothing."""
    found = set(mine.members) ^ set(others.members)
    found |= {c for c, level in mine.levels.items() if others.levels.get(c, level) != level}
    return found or {*mine.members, *others.members}


def _unlike(rows: Sequence[object], others: Sequence[object]) -> list[object]:
    return [r for r in (*rows, *others) if r not in rows or r not in others]


def _named(tables: Tables, row: object) -> Iterator[int]:
    """Channels that a row of any table names."""
    for name in ("number", "channel"):
        if hasattr(row, name):
            yield getattr(row, name)
    for name in ("sources", "channels"):
        yield from getattr(row, name, ())
    for number in getattr(row, "when", {}):
        yield from tables.operation[number].members
