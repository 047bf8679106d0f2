"""The program of the box: hears keys, works in its task, minds timers and locks, shows what it knows."""

from __future__ import annotations

import heapq
import random

from bench.twin.bus import NEVER, Bus
from bench.twin.channels import Channels
from bench.twin.display import Display
from bench.twin.electrics import Electrics
from bench.twin.indicators import Indicators
from bench.twin.nodes import Nodes
from bench.twin.operations import Operations
from bench.twin.power import BY_MESSAGE, BY_SUPPLY, BY_WATCHDOG, MS, Power
from bench.twin.quirks import Quirks
from bench.twin.rhythm import Rhythm
from bench.twin.shedding import Shedding
from bench.twin.tables import BoxRow, Tables


class Firmware:
    """Told of events by the Twin; `work_ns` is the next instant at which it has work."""

    def __init__(
        self, tables: Tables, quirks: Quirks, electrics: Electrics, bus: Bus, rng: random.Random
    ) -> None:
        self.tables, self.quirks, self.electrics, self.bus = tables, quirks, electrics, bus
        self.rng = random.Random(rng.random())
        self.channels = Channels(tables, quirks)
        self.operations = Operations(tables, self.channels)
        self.indicators = Indicators(tables, self.channels, self.operations)
        self.power = {b.name: Power(b) for b in tables.boxes}
        self.logic = self.power[tables.boxes[0].name]
        self.display = Display(self.channels, self.indicators, electrics, bus, self.power, self.push)
        self.work_ns = NEVER
        self._wake_level = {c: r.percent for r in tables.wakes for c in r.channels}
        self.rhythm = Rhythm(tables.boxes[0], rng, self.rng)
        self.operations.dimming.ramp_tick_ns = self.rhythm.ramp_ns
        self.nodes = Nodes(tables, self.channels, self.operations, self._take_input)
        self.shedding = Shedding(self.power, self.channels, self.operations, electrics)
        self._queue: list[tuple[int, int, int, str, tuple[str | int, ...]]] = []
        self._order = 0
        self._latest = 0
        self._waiting_press: dict[tuple[str, int], int] = {}
        self._cancelled: set[int] = set()
        self._last_press = -(1 << 60)
        self._places = dict(self.operations.place)
        self._operation_of = {(k.node, k.key): k.operation for k in tables.keys}
        self._restart_ns = 0
        self._held_up: set[int] = set()
        self._changes: dict[tuple[str, int], int] = {}

    # ---- what it is told

    def push(self, due_ns: int, arrived_ns: int, kind: str, *args: str | int) -> int:
        """Queue something for the task; it never overtakes what came before it, except things of later."""
        self._order += 1
        heapq.heappush(self._queue, (due_ns, self._order, arrived_ns, kind, args))
        self.work_ns = min(self.work_ns, due_ns)
        return self._order

    def _in_turn(self, due_ns: int) -> int:
        self._latest = max(self._latest, due_ns)
        return self._latest

    def key(self, t_ns: int, node: str, key: int, down: bool, ack: tuple[int, int] | None = None) -> None:
        """A key event reaches the box; `ack`: its source and counter."""
        if not self.logic.awake:
            return
        wait_ns = int(self.logic.row.shortest_press_ms * MS)
        operation = self._operation_of.get((node, key), 0)
        if down:
            soon = t_ns - self._last_press < self.quirks.drop_second_ms * MS
            self._last_press = t_ns
            if soon:
                return
        elif (node, key) in self._waiting_press and wait_ns:
            order = self._waiting_press.pop((node, key))
            if any(q[1] == order and t_ns < q[2] for q in self._queue):
                self._cancelled.add(order)
                return
        late = self.quirks.slow_task_ms
        if operation in self.quirks.late_ms and ack:  # the event is taken in time, its work is not done
            self.push(self.rhythm.tick(t_ns), t_ns, "ack", key, *ack)
            ack = None
        due = self._in_turn(self.rhythm.tick(t_ns + (wait_ns if down else 0) + int(late * MS)))
        due += int(self.quirks.late_ms.get(operation, 0.0) * MS)  # this key alone: others overtake it
        source, counter = ack or (-1, 0)
        order = self.push(
            due, t_ns + (wait_ns if down else 0), "press" if down else "release", node, key, source, counter
        )
        if down and wait_ns:
            self._waiting_press[node, key] = order

    def pin(self, t_ns: int, kind: str, number: int, value: int) -> None:
        """A physical input (kind pin) or by-hand seat (kind hand) changed."""
        self.push(self.rhythm.accepted(t_ns), t_ns, "settled", kind, number, value, self._seen(kind, number))

    def _seen(self, kind: str, number: int) -> int:
        """A running number of changes of one pin; only the latest may be accepted."""
        self._changes[kind, number] = self._changes.get((kind, number), 0) + 1
        return self._changes[kind, number]

    def module_input(self, t_ns: int, number: int, value: int) -> None:
        """A sensor module's frame told the value of an input."""
        if self.channels.inputs.get(number) != value or any(q[3] == "input" for q in self._queue):
            self.push(self._in_turn(self.rhythm.tick(t_ns)), t_ns, "input", number, value)

    def hear(self, t_ns: int, name: str) -> None:
        """Something of a node (or of `input N`) was heard."""
        self.work_ns = min(self.work_ns, self.nodes.hear(t_ns, name))

    def begin(self, now_ns: int, powered: bool) -> None:
        """Start: long awake, or off."""
        if self.quirks.restart_at_ms:
            self._restart_ns = now_ns + int(self.quirks.restart_at_ms * MS)
        for power in self.power.values():
            power.powered = power.awake = powered
            for c in power.row.numbers:
                self.channels.dead[c] = not powered
        if powered:
            for power in self.power.values():
                self._wake(power, now_ns)
                self.bus.start_box(power.row.name, now_ns, False)
        self._finish(now_ns)

    def supply(self, t_ns: int, box: str, on: bool) -> None:
        """A box's supply is switched."""
        power = self.power[box]
        if power.powered == on:
            return
        power.powered = on
        if not on:
            self._down(power, t_ns)
            power.lost_supply, power.boot_at = True, 0
        elif power.row.wake_by == "supply":
            self._boot(power, t_ns, BY_SUPPLY)
        self._finish(t_ns)

    def wake_message(self, t_ns: int) -> None:
        """The message that wakes sleeping boxes."""
        for power in self.power.values():
            if power.row.wake_by != "message" or not power.powered or power.boot_at:
                continue
            if power.awake and power.row.wake_again == "nothing":
                continue
            self._down(power, t_ns)
            self._boot(power, t_ns, BY_MESSAGE)
        self._finish(t_ns)

    def wake_at_once(self, t_ns: int, box: str | None) -> None:
        """Wake-up without frames or boot time, for traces."""
        for power in self.power.values():
            if box in (None, power.row.name):
                power.powered = power.awake = True
                power.lost_supply |= power.row.wake_by == "supply"
                self._held_up |= self.operations.held_up()
                self._wake(power, t_ns)
        self._finish(t_ns)

    # ---- power

    def _down(self, power: Power, t_ns: int) -> None:
        power.awake = False
        self.bus.stop_box(power.row.name)
        for c in power.row.numbers:
            self.channels.dead[c] = True
            self.channels.touch(c)
            self.electrics.drive(c, 0.0, t_ns)
        if power is self.logic:
            self._queue.clear()
            self._waiting_press.clear()
            self._held_up |= self.operations.held_up()
            self.operations.forget()

    def _boot(self, power: Power, t_ns: int, reason: int) -> None:
        power.reason = reason
        boot_ns = int(power.row.boot_ms * MS)
        power.boot_at = t_ns + boot_ns + self.rng.randrange(boot_ns // 10 + 1) // 1000 * 1000
        self.work_ns = min(self.work_ns, power.boot_at)

    def _booted(self, power: Power, now_ns: int) -> None:
        power.boot_at, power.awake = 0, True
        power.boots = (power.boots + 1) & 255
        name = power.row.name
        self.bus.values[name, "boot_reason"], self.bus.values[name, "boot_count"] = power.reason, power.boots
        if power is self.logic:
            self.nodes.forget()
            self._latest = now_ns
        self._wake(power, now_ns)
        self.bus.start_box(name, now_ns, True)

    def _wake(self, power: Power, now_ns: int) -> None:
        ch, row = self.channels, power.row
        for c in row.numbers:
            ch.dead[c] = False
            trip = ch.rows[c].trip
            supply = (
                power.lost_supply and trip is not None and "supply" in trip.cleared_by and not ch.forced[c]
            )
            if row.trip_at_wake == "cleared" or supply:
                ch.tripped[c] = False
            ch.off_at[c] = 0
            ch.shed[c] = ch.inhibited[c] = False
            dim = ch.rows[c].dim
            if power.lost_supply and dim and dim.memory == "kept":
                ch.memory[c] = 100.0
            if c not in self.quirks.wake_zero:
                self._wake_channel(c, row, now_ns)
            ch.touch(c)
        power.lost_supply = power.shed = power.ordered = False
        power.low_since = power.high_since = 0
        power.unavailable_until = now_ns + int(row.not_available_ms * MS) if row.not_available_ms else 0
        if power is self.logic:
            self.operations.forget()
        ch.settle_without_edges(now_ns)
        ch.settle(now_ns)
        ch.frozen.clear()
        ch.foreign.clear()
        self._identify(row)
        self.display.show_all(row, now_ns)
        for c in row.numbers:
            self.display.report(c, now_ns)

    def _wake_channel(self, c: int, row: BoxRow, now_ns: int) -> None:
        ch = self.channels
        level = self._wake_level.get(c)
        if level is None:
            level = ch.stored[c] if row.others == "retained" and c not in self._held_up else 0.0
        self._held_up.discard(c)
        if ch.tripped[c]:
            level = 0.0
        ch.stored[c] = 0.0
        ch.write(c, level, now_ns)

    def _identify(self, row: BoxRow) -> None:
        values, box = self.bus.values, row.name
        values[box, "firmware"] = row.firmware[0] << 8 | row.firmware[1]
        own = self.quirks.configuration
        values[box, "configuration"] = row.configuration if own is None else own
        values[box, "serial"] = row.serial

    # ---- the task

    def work(self, now_ns: int) -> None:
        """Everything that is due at `now_ns`."""
        while self._queue and self._queue[0][0] <= now_ns:
            _, order, arrived, kind, args = heapq.heappop(self._queue)
            if order in self._cancelled:
                self._cancelled.discard(order)
            else:
                self._handle(kind, args, arrived, now_ns)
        for power in self.power.values():
            if 0 < power.boot_at <= now_ns:
                self._booted(power, now_ns)
            if 0 < power.unavailable_until <= now_ns:
                power.unavailable_until = 0
                for c in power.row.numbers:
                    self.display.report(c, now_ns)
        if 0 < self._restart_ns <= now_ns:
            self._restart_ns = 0
            self._down(self.logic, now_ns)
            self._boot(self.logic, now_ns, BY_WATCHDOG)
        if 0 < self.electrics.due <= now_ns:
            for c in self.electrics.open_fuses(now_ns):
                self.push(self.rhythm.tick(now_ns), now_ns, "trip", c)
            for c in self.electrics.watched:
                self.channels.touch(c)
        if self.logic.awake:
            self.nodes.mind(now_ns)
            self.shedding.mind(now_ns)
            self.channels.fire_timers(now_ns)
            self.operations.dimming.advance(now_ns, now_ns)
            for number in self.operations.place:
                self.operations.expire(self.tables.operation[number], now_ns)
        self._finish(now_ns)

    def _handle(self, kind: str, args: tuple[str | int, ...], arrived: int, now_ns: int) -> None:
        ch = self.channels
        if kind in ("press", "release"):
            node, key, source, counter = str(args[0]), int(args[1]), int(args[2]), int(args[3])
            self._key(kind == "press", node, key, arrived, now_ns)
            if source >= 0:
                self.bus.acknowledge(self.logic.row.name, source, key, counter, now_ns)
            return
        number = (
            int(args[-1] if kind in ("trip", "chatter", "report") else args[0]) if kind != "settled" else 0
        )
        if kind == "settled":
            what, number, value = str(args[0]), int(args[1]), int(args[2])
            if self._changes.get((what, number)) == int(args[3]):
                self.push(self._in_turn(self.rhythm.tick(now_ns)), now_ns, what, number, value)
        elif kind in ("input", "pin"):
            self._take_input(number, int(args[1]), now_ns)
        elif kind == "hand":
            ch.set_hand(number, bool(args[1]))
        elif kind == "trip":
            ch.trip(number, now_ns)
        elif kind == "chatter":
            self._chatter(number, now_ns)
        elif kind == "report":
            self.display.report(number, now_ns)
        if self.logic.awake:  # while it boots its rules do not work yet
            ch.settle(now_ns)
            self.operations.spend(now_ns)

    def _key(self, down: bool, node: str, key: int, arrived: int, now_ns: int) -> None:
        self._waiting_press.pop((node, key), None)
        number = self._operation_of.get((node, key), 0)
        self.channels.fire_timers(now_ns)
        self.operations.dimming.advance(arrived, now_ns)
        if down:
            self.operations.press(number, (node, key), arrived, now_ns)
        else:
            self.operations.release(number, (node, key), arrived, now_ns)
        shown = (node, key)
        if shown in self.quirks.stale_lamps:
            self.display.lamps_shown.discard(shown)

    def _take_input(self, number: int, value: int, now_ns: int) -> None:
        self.channels.set_input(number, value)
        for row in self.tables.inputs:
            if row.number == number:
                self.bus.show(("input", row.box, number), value, now_ns)

    def _chatter(self, c: int, now_ns: int) -> None:
        ch = self.channels
        if ch.dead[c]:
            ch.dead[c] = False
        elif ch.out[c] > 0.0:
            ch.dead[c] = True
            self.push(now_ns + int(self.quirks.chatter[c] * MS), now_ns, "chatter", c)
        ch.touch(c)

    # ---- what it shows

    def _finish(self, now_ns: int) -> None:
        """Settle, drive the outputs, show what changed, and find out when there is work again."""
        if self.logic.awake:
            self.channels.settle(now_ns)
            self.operations.spend(now_ns)
        changed = self.channels.take_changed()
        if self.operations.place != self._places:  # a count moved: its lamps move though no output does
            moved = [n for n, at in self.operations.place.items() if self._places.get(n) != at]
            self._places = dict(self.operations.place)
            if self.logic.awake:
                self.display.light({c for n in moved for c in self.tables.operation[n].members}, now_ns)
        if changed:
            self.display.publish(changed, now_ns, self.logic.awake)
        self.work_ns = self._next(now_ns)

    # ---- when there is work again

    def _next(self, now_ns: int) -> int:
        due = self._queue[0][0] if self._queue else NEVER
        for power in self.power.values():
            for t in (power.boot_at, power.unavailable_until):
                if t:
                    due = min(due, t)
        for t in (self._restart_ns, self.electrics.due):
            if t:
                due = min(due, t)
        if self.logic.awake:
            due = min(due, self._next_task(now_ns))
        return max(due, now_ns)

    def _next_task(self, now_ns: int) -> int:
        due = NEVER
        timer, held = self.channels.next_timer(), self.operations.next_due(now_ns)
        for t in (timer, held):
            if t:
                due = min(due, self.rhythm.task(max(t, now_ns + 1)))
        return min(due, self.nodes.next_due(now_ns), self.shedding.next_due())
