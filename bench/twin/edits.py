"""Every single edit of a boat's tables, as faults: what a hand slips in while a box is configured."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, permutations

from bench.core.errors import UsageError

from .faults import Fault
from .quirks import Quirks
from .tables import KeyRow, NodeRow, OperationRow, Tables, node_name


def single_edits(tables: Tables) -> Iterator[Fault]:
    """All edits of one row, kind by kind, each once, in a fixed order. Levels and times are moved by amounts
    that a plan of the default pace can show: 15 %, a quarter of a timer, half a dimmer's speed."""
    names = _Names(tables)
    yield from _keys(tables, names)
    yield from _operations(tables, names)
    yield from _channels(tables, names)
    yield from _rules(tables, names)
    yield from _lamps(tables, names)
    yield from _losses(tables)
    for box in tables.boxes:  # boxes stand apart: the wires of one are exchanged among themselves
        mine = [names.channel(c.number) for c in tables.channels if c.number in box.numbers]
        for a, b in combinations(mine, 2):
            yield Fault("swapped_outputs", f"{a}/{b}")


@dataclass(frozen=True, slots=True)
class Together:
    """Faults seeded at once, under a name of their own; of two edits one might hide the other."""

    faults: tuple[Fault, ...]
    kind: str = "two edits"

    @property
    def argument(self) -> str:
        """All of them."""
        return " and ".join(f"{f.kind} {f.argument}" for f in self.faults)


def double_edits(tables: Tables, number: int, seed: int = 1) -> Iterator[Together]:
    """So many different pairs of single edits of two kinds, each kind as likely as any other; both must fit
    the tables, one after the other."""
    by_kind: dict[str, list[Fault]] = {}
    for edit in single_edits(tables):
        by_kind.setdefault(edit.kind, []).append(edit)
    chance, had = random.Random(f"two edits {seed}"), set[tuple[Fault, Fault]]()
    for _ in range(20 * number if len(by_kind) > 1 else 0):
        if len(had) == number:
            return
        one, other = (chance.choice(by_kind[kind]) for kind in chance.sample(sorted(by_kind), 2))
        if (one, other) not in had and _fit(tables, one, other):
            had.add((one, other))
            yield Together((one, other))


def _fit(tables: Tables, *faults: Fault) -> bool:
    try:
        for fault in faults:
            tables = fault.apply(tables, Quirks())
    except UsageError:
        return False
    return True


class _Names:
    def __init__(self, tables: Tables) -> None:
        self._tables = tables

    def channel(self, number: int) -> str:
        row = next(b for b in self._tables.boxes if number in b.numbers)
        return f"{row.name} {number - row.first + 1}"

    @staticmethod
    def key(row: KeyRow) -> str:
        return f"{row.node} {row.key}"

    def of(self, operation: OperationRow) -> str | None:
        """A key that works it."""
        return next((self.key(k) for k in self._tables.keys if k.operation == operation.number), None)


def _keys(tables: Tables, names: _Names) -> Iterator[Fault]:
    live = [k for k in tables.keys if k.operation in tables.operation]
    for row in live:
        yield Fault("key_dead", names.key(row))
    for one, two in combinations(live, 2):
        if one.operation != two.operation:
            yield Fault("keys_swapped", f"{names.key(one)}/{names.key(two)}")
    first = {k.operation: k for k in reversed(live)}
    for row in tables.keys:
        for operation, other in first.items():
            if operation != row.operation:
                kind = "screen_key_wrong" if row.operation in tables.operation else "outside_key_wired"
                yield Fault(kind, f"{names.key(row)}/{names.key(other)}")
    for row in live:
        mine = tables.operation[row.operation]
        for channel in tables.channels:
            if mine.code == "toggle" and channel.number not in mine.members:
                yield Fault("wrong_channel", f"{names.key(row)}/{names.channel(channel.number)}")


def _operations(tables: Tables, names: _Names) -> Iterator[Fault]:
    for row in tables.operations:
        key = names.of(row)
        if key is None:
            continue
        if row.code in ("step", "all", "preset", "off", "on") and len(row.members) > 1:
            for c in row.members:
                yield Fault("member_missing", f"{key}/{names.channel(c)}")
        for channel in tables.channels if row.code not in ("toggle", "while_held") else ():
            if channel.number not in row.members:
                yield Fault("member_extra", f"{key}/{names.channel(channel.number)}")
        for n in range(len(row.rows)):
            yield Fault("step_missing", f"{key}/{n + 1}")
        for a, b in combinations(range(len(row.rows)), 2):
            yield Fault("steps_swapped", f"{key}/{a + 1}/{b + 1}")
        for c, percent in row.levels.items():
            yield Fault(
                "preset_wrong",
                f"{key}/{names.channel(c)}/{percent - 15 if percent >= 50 else percent + 15:g}",
            )
        by_code = {"all": "part_on_flipped", "preset": "again_flipped", "while_held": "momentary_latches"}
        if row.code in by_code:
            yield Fault(by_code[row.code], key)


def _channels(tables: Tables, names: _Names) -> Iterator[Fault]:
    woken = {c for w in tables.wakes for c in w.channels}
    for row in tables.channels:
        name = names.channel(row.number)
        if row.off_after_ms:
            yield Fault("timer_short", f"{name}/{row.off_after_ms * 0.75e-3:g}")
            yield Fault("timer_long", f"{name}/{row.off_after_ms * 1.25e-3:g}")
            yield Fault("timer_missing", name)
        if row.dim is not None:
            yield Fault("dim_minimum", f"{name}/{row.dim.min_pct + 15:g}")
            yield Fault("dim_rate", f"{name}/1.5")
            yield Fault("dim_missing", name)
        yield Fault("wake_missing" if row.number in woken else "wake_extra", name)


def _rules(tables: Tables, names: _Names) -> Iterator[Fault]:
    for kinds, rows in (
        (("follow_missing", "follow_end_flipped"), tables.follows),
        (("inhibit_missing",), tables.inhibits),
        (("force_missing", "force_presses_flipped"), tables.forces),
    ):
        for c in dict.fromkeys(r.channel for r in rows):
            for kind in kinds:
                yield Fault(kind, names.channel(c))


def _lamps(tables: Tables, names: _Names) -> Iterator[Fault]:
    lit = [k for k in tables.keys if k.lamp is not None and k.operation in tables.operation]
    first = {k.operation: k for k in reversed(lit)}
    for row in lit:
        yield Fault("lamp_missing", names.key(row))
    for row, other in permutations(lit, 2):
        if first.get(other.operation) is other and other.operation != row.operation:
            yield Fault("lamp_wrong_key", f"{names.key(row)}/{names.key(other)}")
    for node in tables.backlights:
        if node.when:
            yield Fault("backlight_missing", node.node)
            yield Fault("backlight_level", f"{node.node}/{min(node.percent + 20, 100):g}")


def _losses(tables: Tables) -> Iterator[Fault]:
    for talker in tables.talkers:
        name = node_name(talker)
        if not talker.lost_ms:
            continue
        yield Fault("loss_ignored", name)
        for share in (0.75, 1.25):
            yield Fault("loss_time_wrong", f"{name}/{talker.lost_ms * share * 1e-3:g}")
        if isinstance(talker, NodeRow):
            for kind in ("loss_momentary_flipped", "loss_dim_flipped", "loss_others_flipped"):
                yield Fault(kind, name)
        else:
            for other in ("hold", "rest", "active"):
                if other != talker.on_lost:
                    yield Fault("loss_sensor_wrong", f"{name}/{other}")
