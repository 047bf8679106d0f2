"""What a press does, by operation code, and what held keys do."""

from __future__ import annotations

from collections.abc import Iterable

from bench.twin.channels import Channels
from bench.twin.dimming import DimHold, Dimming, Key
from bench.twin.tables import OperationRow, Tables


class Operations:
    """Held keys and counts of all operations."""

    def __init__(self, tables: Tables, channels: Channels) -> None:
        self.tables, self.channels = tables, channels
        self.rows = tables.operation
        self.place = {o.number: len(o.rows) - 1 for o in tables.operations if o.place == "counted"}
        self.pressed_at: dict[int, int] = {}
        self.dimming = Dimming(channels)
        self.held: dict[int, set[Key]] = {}
        self.lately = self._nothing_lately()

    # ---- presses

    def press(self, number: int, key: Key, t_ns: int, now_ns: int) -> None:
        """A key went down at `t_ns`; the firmware gets to it at `now_ns`."""
        op = self.rows.get(number)
        if op is None or self.dimming.is_held(number):
            return
        if self.lately and self._goes_wrong(number, now_ns):
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

    def _goes_wrong(self, number: int, now_ns: int) -> bool:
        """Does a defect keep this press from its work? What that looks back at is written down; what goes
        off astray does so first."""
        found, out = False, self.channels.out
        for i, mishap in enumerate(self.channels.quirks.mishaps):
            if mishap.operation == number and self.lately[i] == mishap.after:
                is_wrong = all((out[c] > 0.0) == on for c, on in mishap.outputs)
                found |= is_wrong and mishap.stray is None
                if is_wrong and mishap.stray is not None and not self.channels.locked(mishap.stray):
                    self.channels.zero(mishap.stray, now_ns, number)
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
        elif (hold := self.dimming.holds.get(number)) and hold.key == key:
            self._end_hold(op, t_ns, now_ns)
        self._after(now_ns)

    def _after(self, now_ns: int) -> None:
        self.channels.settle(now_ns)
        self.spend(now_ns)
        for c, writer in self.channels.foreign:
            self.dimming.freeze(c, now_ns, writer)
            for number in self.place:
                op = self.rows[number]
                if number != writer and "member" in op.restart_on and c in op.members:
                    self.place[number] = len(op.rows) - 1
        self.channels.foreign.clear()

    def spend(self, now_ns: int) -> None:
        """Locks that began freeze ramps; those that zeroed a channel also spend keys that hold it on."""
        for c, also_held in self.channels.frozen:
            self.dimming.freeze(c, now_ns)
            if also_held:
                for number, keys in self.held.items():
                    if c in self.rows[number].channels:
                        keys.clear()
        self.channels.frozen.clear()

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
            self.dimming.holds[op.number] = DimHold(key, t_ns, not on, {c})

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
            self.dimming.holds[op.number] = DimHold(key, t_ns, not off, set(free), tripped)
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

    # ---- held keys

    def _end_hold(self, op: OperationRow, t_ns: int, now_ns: int) -> None:
        hold = self.dimming.end(op.number, op.channels, t_ns, now_ns)
        if hold is None or hold.went_on:
            return
        if op.code == "all":
            self._clear_members(hold.clears, "group_off")
        for c in sorted(hold.live):
            self.channels.zero(c, now_ns, op.number)

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
        """A wake-up or loss of supply: held keys are spent, counts that say so start anew."""
        self.dimming.forget()
        self.held.clear()
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
        if held_ns := self.dimming.next_due(now_ns):
            due.append(held_ns)
        return min(due, default=0)
