"""Defects of configuration: each takes the tables, and gives them back with one row wrong."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from bench.twin.quirks import Quirks
from bench.twin.tables import (
    ChannelRow,
    DimRow,
    KeyRow,
    NodeRow,
    OperationRow,
    Tables,
    WakeRow,
)

Apply = Callable[[Tables, Quirks, Sequence[str]], Tables]


def key_at(tables: Tables, text: str) -> KeyRow:
    """`panel helm 3`. Raises ValueError."""
    node, _, number = text.rpartition(" ")
    for row in tables.keys:
        if row.node == node and str(row.key) == number:
            return row
    raise ValueError(f"there is no key {text!r}")


def channel_at(tables: Tables, text: str) -> int:
    """Running number of `main 14`. Raises ValueError."""
    box, _, own = text.rpartition(" ")
    for row in tables.boxes:
        if row.name == box and own.isdecimal() and 1 <= int(own) <= row.channels:
            return row.first + int(own) - 1
    raise ValueError(f"there is no channel {text!r}")


def _operation(tables: Tables, key: str) -> OperationRow:
    row = key_at(tables, key)
    if row.operation not in tables.operation:
        raise ValueError(f"key {key!r} does nothing")
    return tables.operation[row.operation]


def _with_operation(tables: Tables, new: OperationRow) -> Tables:
    rows = tuple(new if o.number == new.number else o for o in tables.operations)
    return replace(tables, operations=rows)


def _with_key(tables: Tables, old: KeyRow, new: KeyRow) -> Tables:
    return replace(tables, keys=tuple(new if k is old else k for k in tables.keys))


def _with_channel(tables: Tables, new: ChannelRow) -> Tables:
    return replace(tables, channels=tuple(new if c.number == new.number else c for c in tables.channels))


def _keys_swapped(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    one, two = key_at(tables, parts[0]), key_at(tables, parts[1])
    tables = _with_key(tables, one, replace(one, operation=two.operation, lamp_operation=one.operation))
    return _with_key(tables, two, replace(two, operation=one.operation, lamp_operation=two.operation))


def _key_dead(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    row = key_at(tables, parts[0])
    return _with_key(tables, row, replace(row, operation=0, lamp_operation=row.operation))


def _key_live(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    row, other = key_at(tables, parts[0]), key_at(tables, parts[1])
    return _with_key(tables, row, replace(row, operation=other.operation))


def _wrong_channel(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    row, c = key_at(tables, parts[0]), channel_at(tables, parts[1])
    op = OperationRow(998, "toggle", (c,))
    tables = replace(tables, operations=(*tables.operations, op))
    return _with_key(tables, row, replace(row, operation=998, lamp_operation=row.operation))


def _member_missing(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    op, c = _operation(tables, parts[0]), channel_at(tables, parts[1])
    if c not in op.members:
        raise ValueError(f"{parts[1]!r} is no member of {parts[0]!r}")
    levels = {k: v for k, v in op.levels.items() if k != c}
    rows = tuple(tuple(m for m in row if m != c) for row in op.rows)
    members = tuple(m for m in op.channels if m != c)
    return _with_operation(tables, replace(op, channels=members, rows=rows, levels=levels))


def _member_extra(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    op, c = _operation(tables, parts[0]), channel_at(tables, parts[1])
    if c in op.members:
        raise ValueError(f"{parts[1]!r} is a member of {parts[0]!r} already")
    if op.code in ("toggle", "while_held"):
        raise ValueError(f"{parts[0]!r} works one circuit")
    if op.code == "preset":
        return _with_operation(tables, replace(op, levels={**op.levels, c: 100.0}))
    if op.code == "step":
        return _with_operation(tables, replace(op, rows=((*op.rows[0], c), *op.rows[1:])))
    return _with_operation(tables, replace(op, channels=(*op.channels, c)))


def _steps_swapped(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    op, a, b = _operation(tables, parts[0]), int(parts[1]) - 1, int(parts[2]) - 1
    rows = list(op.rows)
    rows[a], rows[b] = rows[b], rows[a]
    return _with_operation(tables, replace(op, rows=tuple(rows)))


def _step_missing(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    op, at = _operation(tables, parts[0]), int(parts[1]) - 1
    gone = op.rows[at]
    return _with_operation(tables, replace(op, rows=tuple(r for r in op.rows if r is not gone)))


def _preset_wrong(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    op, c, percent = _operation(tables, parts[0]), channel_at(tables, parts[1]), float(parts[2])
    if c not in op.levels:
        raise ValueError(f"{parts[1]!r} has no level in {parts[0]!r}")
    return _with_operation(tables, replace(op, levels={**op.levels, c: percent}))


def _part_on_flipped(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    op = _operation(tables, parts[0])
    if op.code != "all":
        raise ValueError(f"{parts[0]!r} works no group")
    return _with_operation(tables, replace(op, part_on="on" if op.part_on == "off" else "off"))


def _again_flipped(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    op = _operation(tables, parts[0])
    if op.code != "preset":
        raise ValueError(f"{parts[0]!r} works no scene")
    return _with_operation(tables, replace(op, again="again" if op.again == "off" else "off"))


def _latches(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    op = _operation(tables, parts[0])
    if op.code != "while_held":
        raise ValueError(f"{parts[0]!r} is no momentary key")
    quirks.latches.add(op.number)
    return tables


def _timer(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    row = tables.channel[channel_at(tables, parts[0])]
    if not row.off_after_ms:
        raise ValueError(f"{parts[0]!r} has no timer")
    return _with_channel(tables, replace(row, off_after_ms=float(parts[1]) * 1000.0))


def _timer_missing(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    return _timer(tables, quirks, (parts[0], "0"))


def _wake_missing(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    c = channel_at(tables, parts[0])
    wakes = tuple(WakeRow(tuple(x for x in w.channels if x != c), w.percent) for w in tables.wakes)
    if wakes == tables.wakes:
        raise ValueError(f"{parts[0]!r} does not wake on")
    return replace(tables, wakes=wakes)


def _wake_extra(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    return replace(tables, wakes=(*tables.wakes, WakeRow((channel_at(tables, parts[0]),), 100.0)))


def _follow_missing(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    c = channel_at(tables, parts[0])
    return replace(tables, follows=_less(tables.follows, c, parts[0], "follows nothing"))


def _follow_end_flipped(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    c = channel_at(tables, parts[0])
    _less(tables.follows, c, parts[0], "follows nothing")
    flip = {"keep": "drop", "drop": "keep"}
    rows = tuple(replace(r, at_end=flip[r.at_end]) if r.channel == c else r for r in tables.follows)
    return replace(tables, follows=rows)


def _inhibit_missing(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    c = channel_at(tables, parts[0])
    return replace(tables, inhibits=_less(tables.inhibits, c, parts[0], "is inhibited by nothing"))


def _force_missing(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    c = channel_at(tables, parts[0])
    return replace(tables, forces=_less(tables.forces, c, parts[0], "is forced by nothing"))


def _less(rows, c: int, name: str, why: str):  # type: ignore[no-untyped-def]  # noqa: ANN001, ANN202
    left = tuple(r for r in rows if r.channel != c)
    if len(left) == len(rows):
        raise ValueError(f"{name!r} {why}")
    return left


def _force_presses_flipped(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    c = channel_at(tables, parts[0])
    _less(tables.forces, c, parts[0], "is forced by nothing")
    flip = {"ignored": "stored", "stored": "ignored"}
    rows = tuple(replace(r, presses=flip[r.presses]) if r.channel == c else r for r in tables.forces)
    return replace(tables, forces=rows)


def _lamp_wrong_key(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    row, other = key_at(tables, parts[0]), key_at(tables, parts[1])
    if row.lamp is None:
        raise ValueError(f"key {parts[0]!r} has no lamp")
    return _with_key(tables, row, replace(row, lamp_operation=other.operation))


def _lamp_missing(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    row = key_at(tables, parts[0])
    if row.lamp is None:
        raise ValueError(f"key {parts[0]!r} has no lamp")
    return _with_key(tables, row, replace(row, lamp=None))


def _backlight_level(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    percent = float(parts[1])
    rows = tuple(replace(r, percent=percent) if r.node == parts[0] else r for r in tables.backlights)
    if rows == tables.backlights:
        raise ValueError(f"{parts[0]!r} has no lighting, or has that level")
    return replace(tables, backlights=rows)


def _backlight_missing(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    rows = tuple(replace(r, when={}) if r.node == parts[0] else r for r in tables.backlights)
    if rows == tables.backlights:
        raise ValueError(f"{parts[0]!r} has no lighting")
    return replace(tables, backlights=rows)


def _dim(tables: Tables, name: str) -> tuple[ChannelRow, DimRow]:
    row = tables.channel[channel_at(tables, name)]
    if row.dim is None:
        raise ValueError(f"{name!r} does not dim")
    return row, row.dim


def _dim_minimum(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    row, dim = _dim(tables, parts[0])
    low = float(parts[1])
    speed = (100.0 - dim.min_pct) / dim.sweep_ms  # the rate stays what it is
    return _with_channel(tables, replace(row, dim=replace(dim, min_pct=low, sweep_ms=(100.0 - low) / speed)))


def _dim_rate(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    row, dim = _dim(tables, parts[0])
    return _with_channel(tables, replace(row, dim=replace(dim, sweep_ms=dim.sweep_ms / float(parts[1]))))


def _dim_missing(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    row, _ = _dim(tables, parts[0])
    return _with_channel(tables, replace(row, dim=None))


def _trip_clears_wrong(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    row = tables.channel[channel_at(tables, parts[0])]
    if row.trip is None:
        raise ValueError(f"{parts[0]!r} cannot trip")
    return _with_channel(tables, replace(row, trip=replace(row.trip, cleared_by=frozenset())))


def _node(tables: Tables, name: str) -> NodeRow:
    for row in tables.nodes:
        if row.name == name:
            return row
    raise ValueError(f"there is no panel or screen {name!r}")


def _with_node(tables: Tables, new: NodeRow) -> Tables:
    return replace(tables, nodes=tuple(new if n.name == new.name else n for n in tables.nodes))


def _loss_time(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    """Without a time: never lost."""
    ms = float(parts[1]) * 1000 if len(parts) > 1 else 0.0
    kind, _, number = parts[0].partition(" ")
    if kind != "input":
        return _with_node(tables, replace(_node(tables, parts[0]), lost_ms=ms))
    if all(str(i.number) != number for i in tables.inputs):
        raise ValueError(f"there is no {parts[0]!r}")
    rows = tuple(replace(i, lost_ms=ms) if str(i.number) == number else i for i in tables.inputs)
    return replace(tables, inputs=rows)


def _loss_momentary_flipped(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    row = _node(tables, parts[0])
    return _with_node(tables, replace(row, held="hold" if row.held == "release" else "release"))


def _loss_dim_flipped(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    row = _node(tables, parts[0])
    return _with_node(tables, replace(row, dim="continue" if row.dim == "freeze" else "freeze"))


def _loss_others_flipped(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    row = _node(tables, parts[0])
    return _with_node(tables, replace(row, others="off" if row.others == "hold" else "hold"))


def _loss_sensor_wrong(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    if parts[1] not in ("hold", "rest", "active"):
        raise ValueError(f"{parts[1]!r} is none of hold, rest, active")
    number = parts[0].removeprefix("input ")
    if all(str(i.number) != number for i in tables.inputs):
        raise ValueError(f"there is no {parts[0]!r}")
    rows = tuple(replace(i, on_lost=parts[1]) if str(i.number) == number else i for i in tables.inputs)
    return replace(tables, inputs=rows)


TABLE_FAULTS: dict[str, Apply] = {
    "loss_ignored": _loss_time,
    "loss_time_wrong": _loss_time,
    "loss_momentary_flipped": _loss_momentary_flipped,
    "loss_dim_flipped": _loss_dim_flipped,
    "loss_others_flipped": _loss_others_flipped,
    "loss_sensor_wrong": _loss_sensor_wrong,
    "keys_swapped": _keys_swapped,
    "key_dead": _key_dead,
    "outside_key_wired": _key_live,
    "screen_key_wrong": _key_live,
    "wrong_channel": _wrong_channel,
    "member_missing": _member_missing,
    "member_extra": _member_extra,
    "steps_swapped": _steps_swapped,
    "step_missing": _step_missing,
    "preset_wrong": _preset_wrong,
    "part_on_flipped": _part_on_flipped,
    "again_flipped": _again_flipped,
    "momentary_latches": _latches,
    "timer_short": _timer,
    "timer_long": _timer,
    "timer_missing": _timer_missing,
    "wake_missing": _wake_missing,
    "wake_extra": _wake_extra,
    "follow_missing": _follow_missing,
    "follow_end_flipped": _follow_end_flipped,
    "inhibit_missing": _inhibit_missing,
    "force_missing": _force_missing,
    "force_presses_flipped": _force_presses_flipped,
    "lamp_wrong_key": _lamp_wrong_key,
    "lamp_missing": _lamp_missing,
    "backlight_level": _backlight_level,
    "backlight_missing": _backlight_missing,
    "dim_minimum": _dim_minimum,
    "dim_rate": _dim_rate,
    "dim_missing": _dim_missing,
    "trip_not_cleared": _trip_clears_wrong,
}
