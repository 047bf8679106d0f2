"""What a press does, by operation code, and what held keys do."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from bench.twin.channels import Channels
from bench.twin.tables import DimRow, OperationRow, Tables

Key = tuple[str, int]  # node name, key number


@dataclass(slots=True)
class DimHold:
    """A key held on an operation that dims. `live`: members whose hold is not spent."""

    key: Key
    since_ns: int
    went_on: bool
    live: set[int]
    clears: tuple[int, ...] = ()  # members tripped at the press
    ramps: dict[int, tuple[int, float, int]] = field(default_factory=dict)  # channel -> t0, level, direction


class Operations:
    """Held keys, counts and dimming of all operations."""

    def __init__(self, tables: Tables, channels: Channels) -> None:
        self.tables, self.channels = tables, channels
        self.rows = tables.operation
        self.place = {o.number: len(o.rows) - 1 for o in tables.operations if o.place == "counted"}
        self.pressed_at: dict[int, int] = {}
        self.dims: dict[int, DimHold] = {}
        self.held: dict[int, set[Key]] = {}
        self.way: dict[int, int] = {}  # direction of a channel's latest hold
        self.ramp_tick_ns = 10_000_000
        self.lately = self._nothing_lately()

    # ---- presses

    def press(self, number: int, key: Key, t_ns: int, now_ns: int) -> None:
        """A key went down at `t_ns`; the firmware gets to it at `now_ns`."""
        op = self.rows.get(number)
        if op is None or (number in self.dims and self.dims[number].live):
            return
        if self.lately and self._goes_wrong(number):
            return
        handler = {
            "toggle": self._toggle,
            "while_held": self._hold,
            "step": self._step,
            "all": self._all,
            "preset": self._preset,
            "off": self._off,
            "on": self._on,
        }[op.code]
        handler(op, key, t_ns, now_ns)
        self._after(now_ns)

    def _goes_wrong(self, number: int) -> bool:
        """Does a defect keep this press from its work? What that looks back at is written down."""
        found, out = False, self.channels.out
        for i, mishap in enumerate(self.channels.quirks.mishaps):
            if mishap.operation == number and self.lately[i] == mishap.after:
                found |= all((out[c] > 0.0) == on for c, on in mishap.outputs)
            if mishap.after and number in mishap.among:
                self.lately[i] = (*self.lately[i], number)[-len(mishap.after) :]
        return found

    def _nothing_lately(self) -> list[tuple[int, ...]]:
        return [() for _ in self.channels.quirks.mishaps]

    def release(self, number: int, key: Key, t_ns: int, now_ns: int) -> None:
        """A key came up."""
        op = self.rows.get(number)
        if op is None:
            return
        if op.code == "while_held":
            self._let_go(op, key, now_ns)
        elif (hold := self.dims.get(number)) and hold.key == key:
            self._end_hold(op, hold, t_ns, now_ns)
        self._after(now_ns)

    def _after(self, now_ns: int) -> None:
        self.channels.settle(now_ns)
        self.spend(now_ns)
        for c, writer in self.channels.foreign:
            for number, hold in self.dims.items():
                if number != writer:
                    self._freeze(hold, c, now_ns, writer)
            for number in self.place:
                op = self.rows[number]
                if number != writer and "member" in op.restart_on and c in op.members:
                    self.place[number] = len(op.rows) - 1
        self.channels.foreign.clear()

    def spend(self, now_ns: int) -> None:
        """Locks that began freeze ramps; those that zeroed a channel also spend keys that hold it on."""
        for c, also_held in self.channels.frozen:
            for hold in self.dims.values():
                self._freeze(hold, c, now_ns)
            if also_held:
                for number, keys in self.held.items():
                    if c in self.rows[number].channels:
                        keys.clear()
        self.channels.frozen.clear()

    def _freeze(self, hold: DimHold, c: int, now_ns: int, writer: int = 0) -> None:
        hold.live.discard(c)
        if c in hold.ramps:
            self._remember(c, hold, now_ns, writer)
            del hold.ramps[c]

    def _toggle(self, op: OperationRow, key: Key, t_ns: int, now_ns: int) -> None:
        ch, c = self.channels, op.channels[0]
        if self._clears(op, c) or ch.locked(c):
            return
        on = ch.stored[c] > 0.0
        dims = ch.rows[c].dim is not None and c not in ch.quirks.no_hold
        if not on:
            ch.switch_on(c, now_ns, op.number)
        elif not dims:
            ch.zero(c, now_ns, op.number)
        if dims:
            self.dims[op.number] = DimHold(key, t_ns, not on, {c})

    def _clears(self, op: OperationRow, c: int) -> bool:
        """A press of a single circuit's own control clears its latch, and does nothing else."""
        ch = self.channels
        if not ch.tripped[c]:
            return False
        if not (ch.hand[c] and ch.hand_ignores[c]):
            ch.clear_trip(c, "control")
        return True

    def _hold(self, op: OperationRow, key: Key, t_ns: int, now_ns: int) -> None:
        ch, c = self.channels, op.channels[0]
        if self._clears(op, c) or ch.locked(c):
            return
        ch.switch_on(c, now_ns, op.number)
        self.held.setdefault(op.number, set()).add(key)

    def _let_go(self, op: OperationRow, key: Key, now_ns: int) -> None:
        ch, c = self.channels, op.channels[0]
        keys = self.held.get(op.number, set())
        if key not in keys:
            return
        keys.discard(key)
        others = any(k and c in self.rows[n].channels for n, k in self.held.items())
        if not others and op.number not in ch.quirks.latches:
            ch.zero(c, now_ns, op.number)

    def _all(self, op: OperationRow, key: Key, t_ns: int, now_ns: int) -> None:
        ch = self.channels
        free = [c for c in op.channels if not ch.locked(c)]
        tripped = tuple(c for c in op.channels if ch.tripped[c])
        if not free:
            self._clear_members(tripped, "group_off")
            return
        on = [ch.stored[c] > 0.0 for c in free]
        off = any(on) if op.part_on == "off" else all(on)
        if not off:
            for c in free:
                ch.switch_on(c, now_ns, op.number)
        if op.dims:
            self.dims[op.number] = DimHold(key, t_ns, not off, set(free), tripped)
        elif off:
            self._all_off(op, op.channels, "group_off", now_ns)

    def _all_off(self, op: OperationRow, members: Iterable[int], event: str, now_ns: int) -> None:
        ch = self.channels
        members = list(members)
        free = [c for c in members if not ch.locked(c)]
        self._clear_members(members, event)
        for c in free:
            ch.zero(c, now_ns, op.number)

    def _clear_members(self, members: Iterable[int], event: str) -> None:
        """Going off clears latches, but never so that an output goes on."""
        ch = self.channels
        for c in members:
            if ch.tripped[c] and not ch.forced[c] and not (ch.hand[c] and ch.hand_ignores[c]):
                ch.clear_trip(c, event)

    def _off(self, op: OperationRow, key: Key, t_ns: int, now_ns: int) -> None:
        if len(op.channels) == 1:
            self._clear_one_off(op, now_ns)
        else:
            self._all_off(op, op.channels, "group_off", now_ns)

    def _clear_one_off(self, op: OperationRow, now_ns: int) -> None:
        ch, c = self.channels, op.channels[0]
        if ch.tripped[c]:
            self._clear_members(op.channels, "control")
        elif not ch.locked(c):
            ch.zero(c, now_ns, op.number)

    def _on(self, op: OperationRow, key: Key, t_ns: int, now_ns: int) -> None:
        if len(op.channels) == 1 and self._clears(op, op.channels[0]):
            return
        for c in op.channels:
            if not self.channels.locked(c):
                self.channels.switch_on(c, now_ns, op.number)

    def _preset(self, op: OperationRow, key: Key, t_ns: int, now_ns: int) -> None:
        ch = self.channels
        free = [c for c in op.levels if not ch.locked(c)]
        if not free:
            self._clear_members(op.levels, "scene_off")
            return
        if op.again == "off" and self.is_active(op):
            self._all_off(op, op.levels, "scene_off", now_ns)
            return
        for c in free:
            percent, dim = op.levels[c], ch.rows[c].dim
            ch.write(c, percent, now_ns, op.number)
            if dim and dim.scene_sets_memory and percent > 0.0:
                ch.memory[c] = percent

    def _step(self, op: OperationRow, key: Key, t_ns: int, now_ns: int) -> None:
        ch = self.channels
        free = [c for c in op.members if not ch.locked(c)]
        if not free:
            if any(ch.tripped[c] for c in op.members):
                self._clear_members(op.members, "cycle_empty")
                if op.number in self.place and () in op.rows:
                    self.place[op.number] = op.rows.index(())
            return
        self.expire(op, now_ns)
        now_at = self.place_of(op)
        index = 0 if now_at is None else (now_at + 1) % len(op.rows)
        if op.number in self.place:
            self.place[op.number] = index
        self.pressed_at[op.number] = now_ns
        row = op.rows[index]
        if not row:
            self._clear_members(op.members, "cycle_empty")
        for c in free:
            if c not in row:
                ch.zero(c, now_ns, op.number)
        for c in free:
            if c in row:
                ch.switch_on(c, now_ns, op.number)

    # ---- what an operation stands at

    def expire(self, op: OperationRow, now_ns: int) -> None:
        """A count starts anew after a while without a press."""
        since = self.pressed_at.get(op.number)
        if op.restart_after_ms and since is not None and now_ns >= since + op.restart_after_ms * 1e6:
            self.place[op.number] = len(op.rows) - 1
            del self.pressed_at[op.number]

    def place_of(self, op: OperationRow) -> int | None:
        """Index of the row it stands at: the count, or the last row that looks like now."""
        if op.number in self.place:
            return self.place[op.number]
        ch = self.channels
        free = [c for c in op.members if not ch.locked(c)]
        now = {c for c in free if ch.stored[c] > 0.0}
        for index in range(len(op.rows) - 1, -1, -1):
            if now == {c for c in free if c in op.rows[index]}:
                return index
        return None

    def is_active(self, op: OperationRow) -> bool:
        """Do all members of a preset that are not locked stand at their levels?"""
        ch = self.channels
        free = [c for c in op.levels if not ch.locked(c)]
        return bool(free) and all(abs(ch.stored[c] - op.levels[c]) < 1e-9 for c in free)

    # ---- dimming

    def _end_hold(self, op: OperationRow, hold: DimHold, t_ns: int, now_ns: int) -> None:
        self.advance(t_ns, now_ns)
        del self.dims[op.number]
        short = not hold.ramps and t_ns < hold.since_ns + self._hold_ns(op)
        for c in hold.ramps:
            self._remember(c, hold, t_ns)
        if not short or hold.went_on:
            return
        if op.code == "all":
            self._clear_members(hold.clears, "group_off")
        for c in sorted(hold.live):
            self.channels.zero(c, now_ns, op.number)

    def _hold_ns(self, op: OperationRow) -> int:
        dims = [d for c in op.channels if (d := self.channels.rows[c].dim)]
        return int(min((d.hold_ms for d in dims), default=0) * 1e6)

    def _remember(self, c: int, hold: DimHold, t_ns: int, writer: int = 0) -> None:
        """The end of a ramp sets the memory, and the way of the next hold. `writer`: the operation
        that has just set the level and so ended the ramp."""
        dim = self.channels.rows[c].dim
        if dim is None:
            return
        self.way[c] = ramp_way(dim, hold.ramps[c], t_ns)
        level = self.channels.stored[c]
        if writer and level > 0.0 and dim.scene_sets_memory:
            return  # a scene's level, remembered already
        if dim.memory != "none":
            reached = writer or level <= 0.0
            self.channels.memory[c] = ramp_level(dim, hold.ramps[c], t_ns) if reached else level

    def advance(self, t_ns: int, now_ns: int) -> None:
        """Held keys: begin ramps that are due by `t_ns` and move the levels to that instant."""
        ch = self.channels
        for hold in self.dims.values():
            for c in sorted(hold.live):
                dim = ch.rows[c].dim
                if dim is None:  # it only waits for a short release
                    continue
                if ch.stored[c] <= 0.0:
                    hold.live.discard(c)
                    hold.ramps.pop(c, None)
                    continue
                start = hold.since_ns + int(dim.hold_ms * 1e6)
                if t_ns < start:
                    continue
                if c not in hold.ramps:
                    for other in self.dims.values():
                        if other is not hold and c in other.live:  # only one function moves a level
                            self._freeze(other, c, now_ns)
                    level = max(ch.stored[c], dim.min_pct)
                    hold.ramps[c] = (start, level, self._direction(c, dim, level))
                ch.write(c, ramp_level(dim, hold.ramps[c], t_ns), now_ns, 0)

    def _direction(self, c: int, dim: DimRow, level: float) -> int:
        way = -1
        if dim.turn == "alternate":
            way = -self.way.get(c, 1)
            if level <= dim.min_pct:
                way = 1
            elif level >= 100.0:
                way = -1
        return way

    def freeze_node(self, node: str, now_ns: int) -> set[int]:
        """Held dimming keys of a lost node are spent at the present level; gives the channels."""
        frozen: set[int] = set()
        for number, hold in list(self.dims.items()):
            if hold.key[0] == node:
                frozen |= {c for c in hold.live if self.channels.rows[c].dim}
                for c in hold.ramps:
                    self._remember(c, hold, now_ns)
                del self.dims[number]
        return frozen

    def held_up(self, but: str = "") -> set[int]:
        """Channels that keys of nodes other than `but` hold on."""
        return {
            c
            for n, keys in self.held.items()
            if any(k[0] != but for k in keys)
            for c in self.rows[n].channels
        }

    def release_node(self, node: str, now_ns: int) -> None:
        """Circuits that only keys of a lost node hold on go off, whatever locks there are."""
        for number, keys in self.held.items():
            c = self.rows[number].channels[0]
            mine = {k for k in keys if k[0] == node}
            keys -= mine
            if mine and not any(k and c in self.rows[n].channels for n, k in self.held.items()):
                self.channels.zero(c, now_ns, number)

    def forget(self) -> None:
        """A wake-up or loss of supply: held keys are spent, counts that say so start anew. A ramp that
        was under way has ended where it was."""
        for hold in self.dims.values():
            for c in hold.ramps:
                dim = self.channels.rows[c].dim
                if dim and dim.memory != "none" and self.channels.stored[c] > 0.0:
                    self.channels.memory[c] = self.channels.stored[c]
        self.dims.clear()
        self.held.clear()
        self.way.clear()
        self.lately = self._nothing_lately()
        for number in self.place:
            op = self.rows[number]
            if "wake" in op.restart_on:
                self.place[number] = len(op.rows) - 1
                self.pressed_at.pop(number, None)

    def next_due(self, now_ns: int) -> int:
        """Next instant at which a hold or a count does something, or 0."""
        due = [
            self.pressed_at[n] + int(self.rows[n].restart_after_ms * 1e6)
            for n in self.place
            if n in self.pressed_at and self.rows[n].restart_after_ms
        ]
        for hold in self.dims.values():
            for c in hold.live:
                dim = self.channels.rows[c].dim
                if dim is None:
                    continue
                if c not in hold.ramps:
                    due.append(max(hold.since_ns + int(dim.hold_ms * 1e6), now_ns + 1))
                elif not _at_rest(dim, hold.ramps[c], now_ns):
                    due.append(now_ns + self.ramp_tick_ns)
        return min(due, default=0)


def ramp_level(dim: DimRow, ramp: tuple[int, float, int], t_ns: int) -> float:
    """Level of a ramp (start, level then, direction) at `t_ns`: constant speed, turning or stopping."""
    start, level, way = ramp
    width = 100.0 - dim.min_pct
    walked = (t_ns - start) * 1e-6 / dim.sweep_ms * width
    if dim.at_end == "stop":
        return min(100.0, max(dim.min_pct, level + way * walked))
    along = (100.0 - level if way < 0 else width + level - dim.min_pct) + walked
    along %= 2 * width
    return 100.0 - along if along <= width else dim.min_pct + along - width


def ramp_way(dim: DimRow, ramp: tuple[int, float, int], t_ns: int) -> int:
    """Direction in which a ramp moves at `t_ns` (+1 up, -1 down)."""
    start, level, way = ramp
    if dim.at_end == "stop":
        return way
    width = 100.0 - dim.min_pct
    along = 100.0 - level if way < 0 else width + level - dim.min_pct
    along += (t_ns - start) * 1e-6 / dim.sweep_ms * width
    return -1 if along % (2 * width) < width else 1


def _at_rest(dim: DimRow, ramp: tuple[int, float, int], now_ns: int) -> bool:
    if dim.at_end != "stop":
        return False
    level = ramp_level(dim, ramp, now_ns)
    return level <= dim.min_pct if ramp[2] < 0 else level >= 100.0
