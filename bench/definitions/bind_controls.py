"""What panels, screens and sensor modules send: readers that are writers too."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from bench.spec.model import Box, Spec

from .binding import Binding, Rule, SignalName
from .controls import Carrier, ControlReader, EventKeys, Heartbeat, LevelKeys, WakeCall
from .database import DbMessage, Field
from .nodes import own_nodes
from .resolve import Resolver

WAKE_NODE = "wake"


@dataclass(slots=True)
class Controls:
    """Readers of control frames, and what cannot be sent and why (control, sensor or `wake BOX`)."""

    readers: list[ControlReader] = field(default_factory=list)
    cannot_send: dict[str, str] = field(default_factory=dict)


class ControlBinder:
    """Works through the controls of one binding; complaints and warnings gather in `names`."""

    def __init__(self, spec: Spec, box: Box, binding: Binding, names: Resolver) -> None:
        self.spec, self.box, self.binding, self.names = spec, box, binding, names
        self.db = names.db
        self.bound = Controls()

    def run(self) -> Controls:
        """The control messages; look at `names.complaints` before using them."""
        self._keys()
        self._alive()
        self._inputs()
        self._wake()
        return self.bound

    def _carrier(self, message: DbMessage, node: str, name: SignalName, counter: Field | None) -> Carrier:
        label = f"sensors {self.box.name}" if node == "sensors" else node
        can_id, mask = self.names.address(message, self.names.source(node, name, message))
        return Carrier(
            f"{label}/{message.name}", label, can_id, mask, message.extended, message.length,
            message.cycle_ms, self.binding.unused_bits, counter,
        )  # fmt: skip

    def _together(self, name: SignalName, fields: Sequence[Field | None]) -> DbMessage | None:
        """The one message that all fields lie in; a complaint when there are several."""
        found = [f for f in fields if f is not None]
        messages = dict.fromkeys(f.message for f in found)
        if len(messages) > 1:
            self.names.say(
                name, f"these signals lie in {', '.join(messages)}", expected="signals of one message"
            )
            return None
        for f in found:
            if f.selectors:
                self.names.say(
                    name, f"{f.full_name} is multiplexed", expected="a control message without multiplexer"
                )
                return None
        return self.db.messages[next(iter(messages))] if messages else None

    def _control(self, reader: ControlReader) -> None:
        self.bound.readers.append(reader)

    def _keys_of(self, node: str) -> dict[int, str]:
        kind, _, name = node.partition(" ")
        keys = {c.key: c.name for c in self.spec.controls.values() if (c.kind, c.node) == (kind, name)}
        for control in self.spec.outside:
            owner, _, number = control.rpartition(" ")
            if owner == node and number.isdigit():
                keys[int(number)] = control
        return dict(sorted(keys.items()))

    def _keys(self) -> None:
        for node in own_nodes(self.spec, self.box):
            rule = self.binding.keys.get(node)
            keys = self._keys_of(node)
            if rule is None:
                for control in keys.values():
                    self.bound.cannot_send[control] = f"the binding has no keys for {node}"
                if keys:
                    self.names.warn(
                        SignalName("", self.binding.sheet.root),
                        f"the binding has no keys for {node}: none of them can be pressed",
                    )
                continue
            counter = self.names.require(rule.counter)
            name = SignalName(node, rule.part)
            if rule.style == "bits" and rule.rule is not None:
                self._level_keys(node, name, rule.rule, keys, counter)
                continue
            key, action = self.names.require(rule.key), self.names.require(rule.action)
            if key is None or action is None:
                continue
            message = self._together(name, [key, action, counter])
            if message is not None:
                carrier = self._carrier(message, node, name, counter)
                self._control(EventKeys(carrier, key, action, rule.pressed, rule.released))
            for number, control in keys.items():
                lo, hi = key.raw_limits()
                if (
                    not (key.lo if key.lo is not None else lo)
                    <= number
                    <= (key.hi if key.hi is not None else hi)
                ):
                    self.bound.cannot_send[control] = f"{key.full_name} cannot hold {number}"

    def _level_keys(
        self, node: str, name: SignalName, rule: Rule, keys: dict[int, str], counter: Field | None
    ) -> None:
        self._needs_both(name, rule)
        places: dict[str, Field] = {}
        for number, control in keys.items():
            found, tried, why = self.names.numbered(rule, number)
            if found is not None:
                self.names.fits(rule, tried, found)
                places[control] = found
            elif why:
                self.names.missing(tried, tried.fill(number), why)
            else:
                self.bound.cannot_send[control] = f'there is no signal "{tried.fill(number)}"'
                self.names.warn(
                    tried, f'{control}: there is no signal "{tried.fill(number)}", so it cannot be pressed'
                )
        if keys and not places:
            first = next(iter(keys))
            _, tried, _ = self.names.numbered(rule, first)
            self.names.missing(tried, tried.fill(first))
        by_message: dict[str, dict[str, Field]] = {}
        for control, found in places.items():
            by_message.setdefault(found.message, {})[control] = found
        for group in by_message.values():
            own = (
                counter
                if counter is not None and counter.message == next(iter(group.values())).message
                else None
            )
            message = self._together(name, [*group.values(), own])
            if message is not None:
                self._control(
                    LevelKeys(self._carrier(message, node, name, own), group, rule, is_sensor=False)
                )

    def _needs_both(self, name: SignalName, rule: Rule) -> None:
        if {value for _, _, value in rule.words} != {0, 1} and not any(
            c.line == name.part.line for c in self.names.complaints
        ):
            self.names.say(
                name,
                f"{name.part.where} names no raw value for on or for off",
                expected="values: {0: off, 1: on}",
            )

    def _alive(self) -> None:
        own = {*own_nodes(self.spec, self.box), "sensors"}
        for node, rule in self.binding.alive.items():
            if node not in own:  # another box's, or one that was counted and is not there
                continue
            counter, keys_down = self.names.require(rule.counter), self.names.require(rule.keys_down)
            name = SignalName(node, rule.part)
            message = self.names.message(name, rule.message) if rule.message else None
            message = message or self._together(name, [counter, keys_down])
            if message is not None:
                self._control(Heartbeat(self._carrier(message, node, name, counter), keys_down))

    def _inputs(self) -> None:
        sensors = {s.input: s.name for s in self.spec.sensors.values() if s.box == self.box.name}
        rule = self.binding.inputs
        if not sensors:
            return
        if rule is None:
            for sensor in sensors.values():
                self.bound.cannot_send[sensor] = "the binding has no controls.sensors"
            self.names.warn(
                SignalName("", self.binding.sheet.root),
                "the binding has no controls.sensors: no sensor can be worked",
            )
            return
        counter = self.names.require(rule.counter)
        name = SignalName("sensors", rule.rule.part)
        self._needs_both(name, rule.rule)
        places: dict[str, Field] = {}
        for number, sensor in sensors.items():
            found, tried, why = self.names.numbered(rule.rule, number)
            if found is None:
                self.names.missing(tried, tried.fill(number), why)
            else:
                self.names.fits(rule.rule, tried, found)
                places[sensor] = found
        message = self._together(name, [*places.values(), counter])
        if message is not None and places:
            self._control(
                LevelKeys(self._carrier(message, "sensors", name, counter), places, rule.rule, is_sensor=True)
            )

    def _wake(self) -> None:
        rule = self.binding.wake
        if self.box.wake.by != "message":
            return
        if rule is None:
            self.bound.cannot_send[f"wake {self.box.name}"] = "the binding has no controls.wake"
            self.names.warn(
                SignalName("", self.binding.sheet.root),
                f"{self.box.name} wakes by message, but the binding has no controls.wake",
            )
            return
        counter = self.names.require(rule.counter)
        name = SignalName("wake", rule.part)
        message = self.names.message(name, rule.message) if rule.message else None
        message = message or self._together(name, [counter])
        if message is None:
            return
        sends_id, _ = self.names.address(message, self.names.source(rule.sender, name, message))
        can_id, mask = self.names.address(message, 0)
        anyone = mask & ~0xFF if self.binding.match == "pgn" and message.extended else mask
        carrier = Carrier(
            f"{WAKE_NODE}/{message.name}", WAKE_NODE, can_id, anyone, message.extended, message.length, None,
            self.binding.unused_bits, counter,
        )  # fmt: skip
        self._control(WakeCall(carrier, (self.box.name,), sends_id))
