"""What the box remembers and what its outputs do: stored levels, timers, locks and the rules between them."""

from __future__ import annotations

from bench.twin.quirks import Quirks
from bench.twin.tables import ChannelRow, ForceRow, Tables

_SETTLE_LIMIT = 400


class Channels:
    """State of all channels, indexed by running number (place 0 is unused).

    `stored` percent, `off_at` instant of the timer's end or 0, `out` the output as the box knows it.
    `settle` brings `out` and the rules to rest; `take_changed` hands over whose reports may differ.
    """

    def __init__(self, tables: Tables, quirks: Quirks) -> None:
        self.tables, self.quirks = tables, quirks
        top = max((b.first + b.channels for b in tables.boxes), default=1)
        self.count = top - 1
        self.rows = [tables.channel.get(i) or ChannelRow(i) for i in range(top)]
        self.stored = [0.0] * top
        self.out = [0.0] * top
        self.memory = [100.0] * top
        self.off_at = [0] * top
        self.tripped = [False] * top
        self.hand = [False] * top  # as the box knows
        self.spoiled: set[int] = set()  # by a defect: no key works it any more
        self.forced = [False] * top
        self.inhibited = [False] * top
        self.shed = [False] * top
        self.shed_level = [0.0] * top
        self.dead = [False] * top  # its box is not working
        self.hand_ignores = [False] * top
        self.shed_refuses = [False] * top
        for box in tables.boxes:
            for c in box.numbers:
                self.hand_ignores[c] = (box.hand_presses == "ignored") != (c in quirks.hand_flipped)
                self.shed_refuses[c] = bool(box.shed and box.shed.on_presses == "refused")
        self.force: dict[int, list[ForceRow]] = {}
        for row in tables.forces:
            self.force.setdefault(row.channel, []).append(row)
        self.inputs = {i.number: 0 for i in tables.inputs}
        self.frozen: list[tuple[int, bool]] = []  # (channel, also held keys are spent)
        self.foreign: list[tuple[int, int]] = []  # (channel, operation that wrote it)
        self._inhibit_rows = [(r.channel, r.sources, r.sees == "command") for r in tables.inhibits]
        self._follow_rows = [(r, r.sees == "command") for r in tables.follows]
        self._follow_was = [False] * len(tables.follows)
        self._dirty: set[int] = set()
        self._changed: set[int] = set()
        self._rules_due = True

    # ---- locks

    def locked(self, c: int) -> bool:
        """Does a lock that the box knows of keep presses from the stored level?"""
        if self.tripped[c] or self.inhibited[c] or (self.shed[c] and self.shed_refuses[c]):
            return True
        if c in self.spoiled:
            return True
        return (self.hand[c] and self.hand_ignores[c]) or self._force_ignores(c)

    def rule_locked(self, c: int) -> bool:
        """An on-write by a rule passes no lock but a by-hand seat that stores presses."""
        if self.tripped[c] or self.inhibited[c] or self.forced[c]:
            return True
        if self.shed[c] and self.shed_refuses[c]:
            return True
        return self.hand[c] and self.hand_ignores[c]

    def _force_ignores(self, c: int) -> bool:
        return self.forced[c] and any(
            r.presses == "ignored" and self.inputs.get(r.input) for r in self.force[c]
        )

    # ---- writes

    def on_level(self, c: int) -> float:
        """What *on* means: full, or the remembered level."""
        dim = self.rows[c].dim
        if dim is None or dim.memory == "none" or c in self.quirks.memory_lost:
            return 100.0
        return self.memory[c]

    def write(self, c: int, percent: float, now_ns: int, writer: int = 0) -> None:
        """Set the stored level; a timer starts from 0 to above and stops at 0. `writer`: operation or 0."""
        old = self.stored[c]
        if percent <= 0.0 and not (c in self.quirks.timer_survives and self.off_at[c] > now_ns):
            self.off_at[c] = 0
        if old == percent:
            return
        self.stored[c] = percent
        if (old > 0.0) != (percent > 0.0):
            self._rules_due = True
            if old <= 0.0 and self.rows[c].off_after_ms and not self.off_at[c]:
                self.off_at[c] = now_ns + int(self.rows[c].off_after_ms * 1e6)
        self.touch(c)
        if writer:
            self.foreign.append((c, writer))
            self.shed_level[c] = 0.0

    def switch_on(self, c: int, now_ns: int, writer: int = 0) -> None:
        """On-write: changes nothing where it is on already."""
        if self.stored[c] <= 0.0:
            self.write(c, self.on_level(c), now_ns, writer)

    def zero(self, c: int, now_ns: int, writer: int = 0) -> None:
        """Stored level 0, timer stopped."""
        self.write(c, 0.0, now_ns, writer)

    def touch(self, c: int) -> None:
        """Its output or reports may differ."""
        self._dirty.add(c)
        self._changed.add(c)

    def clear_trip(self, c: int, event: str) -> bool:
        """Clear the latch if `event` does that on this channel."""
        trip = self.rows[c].trip
        if not self.tripped[c] or trip is None or event not in trip.cleared_by:
            return False
        if self.forced[c] and event != "control":
            return False  # it would close because of an event that isn't a person's wish for it
        self.tripped[c] = False
        self._rules_due = True
        self.touch(c)
        return True

    # ---- causes

    def trip(self, c: int, now_ns: int) -> None:
        """The electronic fuse opened and latches."""
        if self.tripped[c]:
            return
        self.zero(c, now_ns)
        self.tripped[c] = True
        self.frozen.append((c, True))
        self.touch(c)

    def set_hand(self, c: int, on: bool) -> None:
        """The box senses that the circuit is worked by hand."""
        if self.hand[c] != on:
            self.hand[c] = on
            if on:
                self.frozen.append((c, False))
                if c in self.quirks.hand_keeps:
                    self.stored[c] = 100.0
            elif c in self.quirks.hand_spoils:
                self.spoiled.add(c)
            self.touch(c)

    def set_input(self, number: int, value: int) -> None:
        """A sensor input as the box takes it."""
        if self.inputs.get(number) == value:
            return
        self.inputs[number] = value
        for c, rows in self.force.items():
            forced = any(self.inputs.get(r.input) for r in rows)
            if forced != self.forced[c]:
                self.forced[c] = forced
                if forced:
                    self.frozen.append((c, False))
                self.touch(c)

    def set_shed(self, c: int, on: bool, restore: bool, now_ns: int) -> None:
        """Supply low long enough, or back."""
        if self.shed[c] == on:
            return
        self.shed[c] = on
        before = self.shed_level[c]
        if on:
            self.shed_level[c] = self.stored[c]
            self.zero(c, now_ns)
            self.clear_trip(c, "shed")
            self.frozen.append((c, True))
        elif restore and before > 0.0 and self.stored[c] <= 0.0 and not self.rule_locked(c):
            self.write(c, before, now_ns)
        self.touch(c)

    def fire_timers(self, now_ns: int) -> None:
        """Timers that have ended zero their channels, whatever locks there are."""
        for c in range(1, self.count + 1):
            if 0 < self.off_at[c] <= now_ns:
                self.off_at[c] = 0
                self.zero(c, now_ns)
                self.frozen.append((c, True))

    def next_timer(self) -> int:
        """Earliest end of a timer, or 0."""
        return min((t for t in self.off_at if t), default=0)

    # ---- rest

    def settle(self, now_ns: int) -> None:
        """Outputs, then inhibits, then follows, until nothing moves."""
        for _ in range(_SETTLE_LIMIT):
            while self._dirty:
                self._output(self._dirty.pop())
            if not self._rules_due:
                return
            if self._inhibits(now_ns) or self._dirty or self._follows(now_ns):
                continue
            if not self._dirty:
                self._rules_due = False
                return

    def _output(self, c: int) -> None:
        new = self._level(c)
        old = self.out[c]
        if new != old:
            self.out[c] = new
            self._changed.add(c)
            if (new > 0.0) != (old > 0.0):
                self._rules_due = True

    def _level(self, c: int) -> float:
        if self.dead[c]:
            return 0.0
        if self.hand[c]:
            return 100.0
        if self.tripped[c]:
            return 0.0
        held_off = self.inhibited[c] or (self.shed[c] and self.shed_refuses[c])
        if self.forced[c]:
            if not held_off:
                return 100.0
            active = [r for r in self.force[c] if self.inputs.get(r.input)]
            return 100.0 if any(r.over_inhibit == "passes" for r in active) else 0.0
        return 0.0 if held_off else self.stored[c]

    def _inhibits(self, now_ns: int) -> bool:
        seen: dict[int, bool] = {}
        for c, sources, command in self._inhibit_rows:
            values = self.stored if command else self.out
            seen[c] = seen.get(c, False) or any(values[s] > 0.0 for s in sources)
        moved = False
        for c, on in seen.items():
            if on == self.inhibited[c]:
                continue
            self.inhibited[c] = on
            self.touch(c)
            moved = True
            if on:
                self.zero(c, now_ns)
                self.clear_trip(c, "inhibit")
                self.frozen.append((c, True))
                break  # one after the other: of two that inhibit each other the running one wins
        return moved

    def _follows(self, now_ns: int) -> bool:
        moved = False
        for i, (row, command) in enumerate(self._follow_rows):
            values = self.stored if command else self.out
            on = any(values[s] > 0.0 for s in row.sources)
            if on == self._follow_was[i]:
                continue
            self._follow_was[i] = on
            moved = True
            if not on:
                if row.at_end == "drop":
                    self.zero(row.channel, now_ns)
                    self.frozen.append((row.channel, True))
            elif not self.rule_locked(row.channel):
                self.switch_on(row.channel, now_ns)
        return moved

    def settle_without_edges(self, now_ns: int) -> None:
        """At a wake-up: inhibits act as levels, and what follow sources do is no edge."""
        for _ in range(_SETTLE_LIMIT):
            while self._dirty:
                self._output(self._dirty.pop())
            if not self._inhibits(now_ns):
                break
        for i, (row, command) in enumerate(self._follow_rows):
            values = self.stored if command else self.out
            self._follow_was[i] = any(values[s] > 0.0 for s in row.sources)
        self._rules_due = True

    def take_changed(self) -> set[int]:
        """Channels whose reports may differ since the last call."""
        changed, self._changed = self._changed, set()
        return changed
