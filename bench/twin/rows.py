"""The rows of a table file, one reader for each kind. Format: docs/twin-tables.md."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from bench.twin import tables as t
from bench.twin.toml_rows import Row
from bench.twin.wires import awg_mm2, wire_ohm

_Made = TypeVar("_Made")


def read_tables(top: Row, base: t.Tables | None) -> t.Tables:
    """The tables of a document; a section that it leaves out is as in `base`."""

    def rows(section: str, read: Callable[[Row], _Made], inherited: tuple[_Made, ...]) -> tuple[_Made, ...]:
        top.known.append(section)
        got = top.data.get(section)
        if got is None:
            return inherited
        if not isinstance(got, list) or not all(isinstance(v, dict) for v in got):
            top.complain(f"{section} is no list of rows", section, f"[[{section}]]")
            return inherited
        made = []
        for i, data in enumerate(got):
            row = Row(data, section, i, top.path, top.lines, top.complaints)
            made.append(read(row))
            row.done()
        return tuple(made)

    empty = t.Tables("", (), ())
    old = base or empty
    return t.Tables(
        name=top.text("name", old.name if base else None),
        boxes=rows("box", _box, old.boxes),
        channels=rows("channel", _channel, old.channels),
        operations=rows("operation", _operation, old.operations),
        nodes=rows("node", _node, old.nodes),
        keys=rows("key", _key, old.keys),
        inputs=rows("input", _input, old.inputs),
        forces=rows("force", _force, old.forces),
        follows=rows("follow", _follow, old.follows),
        inhibits=rows("inhibit", _inhibit, old.inhibits),
        wakes=rows("wake", _wake, old.wakes),
        backlights=rows("backlight", _backlight, old.backlights),
        frames=rows("frame", _frame, old.frames),
        heard=rows("heard", _heard, old.heard),
        path=top.path,
    )


def _box(r: Row) -> t.BoxRow:
    firmware = r.integers("firmware", (0, 0))
    if len(firmware) != 2:
        r.complain("firmware is no version", "firmware", "[major, minor]")
        firmware = (0, 0)
    return t.BoxRow(
        name=r.text("name"),
        first=r.integer("first", 1, 1, 999),
        channels=r.integer("channels", None, 1, 48),
        others=r.word("others", ("dark", "retained")),
        trip_at_wake=r.word("trip_at_wake", ("kept", "cleared")),
        hand_sensed=r.word("hand_sensed", ("flag", "none")) == "flag",
        hand_presses=r.word("hand_presses", ("ignored", "stored")),
        source=r.integer("source", 0, 0, 255),
        volts=r.number("volts", 12.0, 1.0, 60.0),
        scan_ms=r.number("scan_ms", 0.0),
        debounce_ms=r.number("debounce_ms", 0.0),
        task_ms=r.number("task_ms", 0.0),
        boot_ms=r.number("boot_ms", 0.0),
        not_available_ms=r.number("not_available_ms", 0.0),
        wake_by=r.word("wake_by", ("supply", "message"), "supply"),
        wake_again=r.word("wake_again", ("restart", "nothing"), "restart"),
        shortest_press_ms=r.number("shortest_press_ms", 0.0),
        repeats=r.word("repeats", ("ignored", "new"), "ignored"),
        open_below_a=r.number("open_below_a", 0.0),
        firmware=(firmware[0], firmware[1]),
        configuration=r.integer("configuration", 0),
        serial=r.integer("serial", 0),
        sense=r.part("sense", _sense, t.Sense()),
        shed=r.part("shed", _shed, None),
    )


def _sense(r: Row) -> t.Sense:
    return t.Sense(
        r.number("gain_pct", 0.0),
        r.number("offset_a", 0.0),
        r.number("noise_a", 0.0),
        r.number("step_a", 0.05, 1e-6),
    )


def _shed(r: Row) -> t.Shed:
    return t.Shed(
        below_v=r.number("below_v"),
        for_ms=r.number("for_ms"),
        above_v=r.number("above_v"),
        back_ms=r.number("back_ms"),
        channels=r.integers("channels"),
        on_presses=r.word("on_presses", ("refused", "allowed")),
        restore=r.flag("restore"),
    )


def _channel(r: Row) -> t.ChannelRow:
    return t.ChannelRow(
        number=r.integer("number", None, 1, 999),
        load=r.word("load", t.LOADS, "resistive"),
        amps=r.number("amps", 1.0),
        fuse_a=r.number("fuse_a", 0.0),
        wire_ohm=r.part("wire", _wire, 0.0),
        dim=r.part("dim", _dim, None),
        trip=r.part("trip", _trip, None),
        off_after_ms=r.number("off_after_ms", 0.0),
    )


def _wire(r: Row) -> float:
    area = awg_mm2(r.integer("awg", None, 0, 40)) if "awg" in r.data else r.number("mm2", None, 0.01)
    return wire_ohm(r.number("one_way_m"), area)


def _dim(r: Row) -> t.DimRow:
    return t.DimRow(
        min_pct=r.number("min_pct", None, 0.0, 99.0),
        hold_ms=r.number("hold_ms"),
        sweep_ms=r.number("sweep_ms", None, 1.0),
        memory=r.word("memory", ("none", "kept", "through_loss")),
        scene_sets_memory=r.flag("scene_sets_memory", False),
        turn=r.word("turn", ("down", "alternate")),
        at_end=r.word("at_end", ("turn", "stop")),
    )


def _trip(r: Row) -> t.TripRow:
    return t.TripRow(r.number("at_a", None, 0.01), r.words("cleared_by", t.TRIP_CLEARED_BY))


def _operation(r: Row) -> t.OperationRow:
    number, code = r.integer("number", None, 1, 999), r.word("code", t.OPERATIONS)
    if code == "step":
        return _step(r, number)
    if code == "preset":
        levels = r.inner("levels")
        pairs = (
            {}
            if levels is None
            else {_channel_key(levels, k): levels.number(k, None, 0, 100) for k in levels.data}
        )
        return t.OperationRow(number, code, levels=pairs, again=r.word("again", ("off", "again")))
    channels = r.integers("channels")
    if code in ("toggle", "while_held") and len(channels) != 1:
        r.complain(f"{code} works one channel, not {len(channels)}", "channels", "channels = [number]")
    if code == "all":
        part_on, dims = r.word("part_on", ("off", "on")), r.flag("dims", False)
        return t.OperationRow(number, code, channels, part_on=part_on, dims=dims)
    return t.OperationRow(number, code, channels)


def _channel_key(r: Row, key: str) -> int:
    return _number(r, key, "channel number", "levels = { 4 = 50.0 }")


def _raw(r: Row, key: str) -> int:
    return _number(r, key, "raw value", "codes = { action = { 5 = 1, 2 = 0 } }")


def _number(r: Row, key: str, what: str, expected: str) -> int:
    """A key that is a number."""
    if key.isascii() and key.isdecimal():
        return int(key)
    r.complain(f"{key!r} is no {what}", key, expected)
    return 0


def _step(r: Row, number: int) -> t.OperationRow:
    rows = r.raw("rows")
    good = isinstance(rows, list) and rows and all(isinstance(x, list) for x in rows)
    if not good or not all(isinstance(c, int) for x in rows for c in x):
        r.complain("step needs its rows", "rows", "rows = [[1, 2], [2], []]")
        rows = [[]]
    return t.OperationRow(
        number,
        "step",
        rows=tuple(tuple(x) for x in rows),
        place=r.word("place", ("seen", "counted")),
        restart_on=r.words("restart_on", ("wake", "member"), frozenset()),
        restart_after_ms=r.number("restart_after_ms", 0.0),
    )


def _node(r: Row) -> t.NodeRow:
    return t.NodeRow(
        name=r.text("name"),
        kind=r.word("kind", ("panel", "screen")),
        number=r.integer("number", 1, 1, 4),
        address=r.integer("address", 0, 0, 255),
        lost_ms=r.number("lost_ms", 0.0),
        held=r.word("held", ("release", "hold"), "hold"),
        dim=r.word("dim", ("freeze", "continue"), "freeze"),
        others=r.word("others", ("hold", "off"), "hold"),
    )


def _key(r: Row) -> t.KeyRow:
    lamp, lamp_operation = r.part("lamp", _lamp, (None, 0))
    return t.KeyRow(
        r.text("node"), r.integer("key", None, 1, 255), r.integer("operation"), lamp, lamp_operation
    )


def _lamp(r: Row) -> tuple[t.LampRow | None, int]:
    row = t.LampRow(
        r.word("shows", ("any", "all", "active", "place")),
        r.integers("channels", ()),
        r.word("tripped", ("flash", "on", "off"), ""),
    )
    return row, r.integer("operation", 0)


def _input(r: Row) -> t.InputRow:
    return t.InputRow(
        number=r.integer("number", None, 1, 99),
        box=r.text("box"),
        source=r.integer("source", 0, 0, 255),
        lost_ms=r.number("lost_ms", 0.0),
        on_lost=r.word("on_lost", ("hold", "rest", "active"), "hold"),
    )


def _force(r: Row) -> t.ForceRow:
    return t.ForceRow(
        r.integer("channel"),
        r.integer("input"),
        r.word("presses", ("ignored", "stored")),
        r.word("over_inhibit", ("passes", "yields")),
    )


def _follow(r: Row) -> t.FollowRow:
    at_end, sees = r.word("at_end", ("keep", "drop")), r.word("sees", ("output", "command"))
    return t.FollowRow(r.integer("channel"), r.integers("sources"), at_end, sees)


def _inhibit(r: Row) -> t.InhibitRow:
    return t.InhibitRow(r.integer("channel"), r.integers("sources"), r.word("sees", ("output", "command")))


def _wake(r: Row) -> t.WakeRow:
    return t.WakeRow(r.integers("channels"), r.number("percent", None, 0, 100))


def _backlight(r: Row) -> t.BacklightRow:
    when = {}
    for inner in r.inners("when"):
        when[inner.integer("operation")] = inner.integers("places", (1,))
        inner.done()
    return t.BacklightRow(
        r.text("node"), r.number("percent", None, 0, 100), r.number("otherwise", 0.0, 0, 100), when
    )


def _frame(r: Row) -> t.FrameRow:
    big = r.word("order", ("little", "big"), "little") == "big"
    fields = tuple(_field(inner, big) for inner in r.inners("fields"))
    return t.FrameRow(
        name=r.text("name"),
        box=r.text("box"),
        id=r.integer("id", None, 0, (1 << 29) - 1),
        size=r.integer("bytes", None, 1, 8),
        fields=fields,
        standard=r.flag("standard", False),
        cycle_ms=r.number("cycle_ms", 0.0),
        on_change_ms=r.number("on_change_ms", 0.0),
        when=r.word("when", ("boot", "ack"), ""),
        fill=r.integer("fill", 1, 0, 1),
    )


def _field(r: Row, big: bool) -> t.FieldRow:
    of = r.integers("of", (1, 1))
    width = r.integer("width", None, 1, 64)
    if len(of) == 1:
        of = (of[0], of[0])
    absent: Any = r.raw("absent")
    made = t.FieldRow(
        kind=r.word("is", t.FIELD_KINDS),
        first=of[0] if of else 1,
        last=of[-1] if of else 1,
        bit=r.integer("bit", None, 0, 63),
        width=width,
        step=r.integer("step", width, 1, 64),
        big=r.word("order", ("little", "big"), "big" if big else "little") == "big",
        per_count=r.number("per_count", 1.0, 1e-9),
        offset=r.number("offset", 0.0, -1e9),
        codes=r.integers("codes", ()),
        node=r.text("node", ""),
        value=r.integer("value", 0),
        absent=absent if isinstance(absent, int) else None,
    )
    r.done()
    return made


def _heard(r: Row) -> t.HeardRow:
    at: dict[str, tuple[int, int]] = {}
    if (inner := r.inner("at")) is not None:
        for name in inner.data:
            pair = inner.integers(name)
            at[name] = (pair[0], pair[1]) if len(pair) == 2 else (0, 8)
    codes: dict[str, dict[int, int]] = {}
    if (inner := r.inner("codes")) is not None:
        for name in inner.data:
            pairs = inner.inner(name)
            codes[name] = {} if pairs is None else {_raw(pairs, k): pairs.integer(k) for k in pairs.data}
    return t.HeardRow(
        kind=r.word("is", t.HEARD_KINDS),
        id=r.integer("id", None, 0, (1 << 29) - 1),
        mask=r.integer("mask", (1 << 29) - 1, 0, (1 << 29) - 1),
        size=r.integer("bytes", None, 0, 8),
        places=at,
        node=r.text("node", ""),
        source=r.integer("source", 0, 0, 255),
        big=r.word("order", ("little", "big"), "little") == "big",
        standard=r.flag("standard", False),
        codes=codes,
        first_key=r.integer("first_key", 0, 0, 255),
        key_bits=r.integers("key_bits", ()),
        down=r.integer("down", 1, 0, 1),
    )
