"""Joins one box's definitions, its binding and the spec: pages to read, controls to read and send."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from bench.core.event import panel_key, screen_key
from bench.core.signal import Observation
from bench.spec.model import Box, Spec

from .binding import Binding, Rule, SignalName
from .controls import Carrier, ControlReader, EventKeys, Heartbeat, LevelKeys, WakeCall
from .database import Database, DbMessage, Field
from .observers import Extra, Observer, Page, Switch
from .readings import BoundMessage
from .resolve import Resolver
from .words import PER_BOX, PER_CHANNEL, STATE, TIMING

Item = tuple[tuple[Field, ...], "Observer | Extra", bool]  # fields, what reads them, is it a message counter
WAKE_NODE = "wake"


@dataclass(slots=True)
class Bound:
    """Everything that one box's binding gives."""

    box: Box
    readers: list[tuple[int, int, bool, Page | Switch | ControlReader]] = field(default_factory=list)
    pages: list[tuple[Page, BoundMessage, DbMessage]] = field(default_factory=list)
    controls: list[ControlReader] = field(default_factory=list)
    unobservable: dict[str, str] = field(default_factory=dict)  # signal -> why
    cannot_send: dict[str, str] = field(default_factory=dict)  # control or sensor -> why


class Binder:
    """Works through one binding; complaints and warnings gather in `names`."""

    def __init__(self, spec: Spec, box: Box, db: Database, binding: Binding) -> None:
        self.spec, self.box, self.db, self.binding = spec, box, db, binding
        self.names = Resolver(db, binding)
        self.bound = Bound(box)
        self._items: dict[str, list[Item]] = {}
        self._identity_reader: Extra | None = None

    def run(self) -> Bound:
        """The bound messages; look at `names.complaints` before using them."""
        self._check_nodes()
        for kind in PER_CHANNEL:
            self._per_channel(kind)
        self._derive_faults()
        self._lamps()
        self._panel_lights()
        self._sensor_reports()
        for kind in PER_BOX:
            if rule := self.binding.reports.get(kind):
                self._single(rule, f"{kind}:{self.box.name}")
        self._identity()
        self._ack()
        self._counters()
        self._finish_reports()
        self._keys()
        self._alive()
        self._inputs()
        self._wake()
        return self.bound

    # ---- nodes

    def _check_nodes(self) -> None:
        b = self.binding
        known = {f"panel {n}" for n in self.spec.panels} | {f"screen {n}" for n in self.spec.screens}
        used = [(n, p) for n, p in b.source_parts.items() if n not in ("box", "sensors")]
        for group in (b.lamps, b.backlights, b.keys, b.alive):
            used += [(n, r.part) for n, r in group.items() if n != "sensors"]
        if b.ack:
            used += [(n, b.ack.part) for n in b.ack.sources.values()]
        if b.wake and b.wake.sender:
            used.append((b.wake.sender, b.wake.part))
        for node, part in used:
            if node not in known:
                near = ", ".join(sorted(known)) or "the spec has no panels or screens"
                self.names.say(SignalName(node, part), f'the spec has no "{node}"', expected=near)
        addresses: dict[int, str] = {}
        for node, source in b.sources.items():
            if (other := addresses.setdefault(source, node)) != node:
                self.names.say(
                    SignalName(node, b.source_parts[node]), f'"{node}" has the source address of "{other}"'
                )

    def _own_nodes(self) -> list[str]:
        panels = [f"panel {n.name}" for n in self.spec.panels.values() if n.box == self.box.name]
        return panels + [f"screen {n.name}" for n in self.spec.screens.values() if n.box == self.box.name]

    # ---- what the box reports

    def _add(self, found: Field, reader: Observer, *, is_counter: bool = False) -> None:
        self._items.setdefault(found.message, []).append(((found,), reader, is_counter))

    def _observe(self, rule: Rule, name: SignalName, found: Field, signal: str) -> None:
        self.names.fits(rule, name, found)
        self._add(found, Observer(signal, found, rule))

    def _single(self, rule: Rule, signal: str) -> None:
        for name in rule.names:
            if found := self.names.require(name):
                self._observe(rule, name, found, signal)
                return

    def _numbered(self, rule: Rule, wanted: Sequence[tuple[int, str, str]]) -> None:
        """`wanted`: number, signal, words for a warning. All missing: the name is wrong."""
        missing: list[tuple[str, SignalName, str, int]] = []
        reasons: list[str] = []
        for number, signal, about in wanted:
            found, name, why = self.names.numbered(rule, number)
            if found is not None:
                self._observe(rule, name, found, signal)
            else:
                missing.append((signal, name, about, number))
                reasons.append(why)
        if missing and (len(missing) == len(wanted) or any(reasons)):
            _, name, _, number = missing[0]
            self.names.missing(name, name.fill(number), next((r for r in reasons if r), ""))
            return
        for signal, name, about, number in missing:
            self._blind(signal, name, f'{about}: there is no signal "{name.fill(number)}", so it is not observable')

    def _blind(self, signal: str, name: SignalName | None, why: str) -> None:
        self.bound.unobservable[signal] = why
        self.names.warn(name or SignalName("", self.binding.sheet.root), f"{signal}: {why}")

    def _per_channel(self, kind: str) -> None:
        circuits = [c for c in self.spec.circuits.values() if c.box == self.box.name]
        rule = self.binding.reports.get(kind)
        if rule is None:
            for c in circuits:
                self.bound.unobservable[f"{kind}:{c.name}"] = f"the binding has no {kind}"
            if circuits:
                self.names.warn(
                    SignalName("", self.binding.sheet.root), f"the binding has no {kind}: it is not observable on {self.box.name}"
                )
            return
        self._numbered(rule, [(c.channel, f"{kind}:{c.name}", f"channel {c.channel}") for c in circuits])

    def _derive_faults(self) -> None:
        """A state field's "tripped" is a fault besides: seen here even where faults have frames of their own."""
        for items in self._items.values():
            for fields, reader, _ in list(items):
                if isinstance(reader, Observer) and reader.signal.startswith("state:"):
                    self._derive_fault(items, fields, reader)

    def _derive_fault(self, items: list[Item], fields: tuple[Field, ...], state: Observer) -> None:
        if all(value != STATE["tripped"] for _, _, value in state.rule.words):
            return
        signal = state.signal.replace("state:", "fault:", 1)
        items.append((fields, Observer(signal, fields[0], state.rule, trips=True), False))
        self.bound.unobservable.pop(signal, None)

    def _lamps(self) -> None:
        for node in self._own_nodes():
            controls = [
                c for c in self.spec.controls.values() if f"{c.kind} {c.node}" == node and c.lamp is not None
            ]
            rule = self.binding.lamps.get(node)
            if rule is not None:
                self._numbered(rule, [(c.key, f"lamp:{c.name}", c.name) for c in controls])
                continue
            for c in controls:
                self._blind(f"lamp:{c.name}", None, f"the binding has no lamp for {node}")

    def _panel_lights(self) -> None:
        for light in self.spec.backlights:
            if self.spec.panels[light.panel].box != self.box.name:
                continue
            rule = self.binding.backlights.get(f"panel {light.panel}")
            if rule is not None:
                self._single(rule, f"backlight:{light.panel}")
            else:
                self._blind(f"backlight:{light.panel}", None, f"the binding has no backlight for panel {light.panel}")

    def _sensor_reports(self) -> None:
        sensors = [s for s in self.spec.sensors.values() if s.box == self.box.name]
        if rule := self.binding.reports.get("sensor"):
            self._numbered(rule, [(s.input, f"sensor:{s.name}", f"sensor {s.name}") for s in sensors])
        else:
            for s in sensors:
                self.bound.unobservable[f"sensor:{s.name}"] = "the binding has no sensor"

    def _identity(self) -> None:
        parts = [(word, self.names.require(name), show) for word, name, show in self.binding.identity]
        found = [(w, f, s) for w, f, s in parts if f is not None]
        if not found:
            return
        messages = {f.message for _, f, _ in found}
        if len(messages) > 1:
            name = self.binding.identity[0][1]
            self.names.say(name, f"identity is spread over {', '.join(sorted(messages))}", expected="one message")
            return
        signal = f"identity:{self.box.name}"

        def read(data: bytes) -> Observation:
            raws = [(word, f.take(data), show) for word, f, show in found]
            text = " ".join(f"{word} {_shown(raw, show)}" for word, raw, show in raws)
            mark = next((raw for word, raw, _ in raws if word == "configuration"), raws[0][1])
            return Observation(signal, float(mark), mark, text)

        self._identity_reader = read
        self._items.setdefault(found[0][1].message, []).append((tuple(f for _, f, _ in found), read, False))

    def _ack(self) -> None:
        rule = self.binding.ack
        if rule is None:
            return
        source, key, counter = (self.names.require(n) for n in (rule.source, rule.key, rule.counter))
        if source is None or key is None or counter is None:
            return
        if len({source.message, key.message, counter.message}) > 1:
            self.names.say(rule.key, "ack is spread over several messages", expected="one message")
            return
        nodes = rule.sources or {a: n for n, a in self.binding.sources.items() if n not in ("box", "sensors")}

        def read(data: bytes) -> Observation | str:
            node, number, seen = nodes.get(source.take(data)), key.take(data), counter.take(data)
            if node is None:
                return f"it acknowledges key {number} of source {source.take(data):#04x}, which is no node"
            return Observation(f"ack:{node} {number}", float(seen), seen)

        self._items.setdefault(key.message, []).append(((source, key, counter), read, False))

    def _counters(self) -> None:
        """A message counter in every bound message that has a signal of that name."""
        plain = Rule(self.binding.sheet.root, ())
        for name in self.binding.counters:
            message, dot, signal = name.text.rpartition(".")
            if dot:
                if found := self.names.require(name):
                    self._add(found, Observer(f"counter:{self.box.name}/{message}", found, plain), is_counter=True)
                continue
            holders = [m for m in self._items if signal in self.db.messages[m].fields]
            if not holders:
                self.names.missing(name, name.text)
            for m in holders:
                found = self.db.messages[m].fields[signal]
                taken = any(found in fields for fields, _, _ in self._items[m])
                if not taken and self.names.usable(name, found):
                    self._add(found, Observer(f"counter:{self.box.name}/{m}", found, plain), is_counter=True)

    def _finish_reports(self) -> None:
        name = SignalName("", self.binding.sheet.root)
        needs_source = any(self.db.messages[m].extended for m in self._items)
        for m, items in self._items.items():
            message = self.db.messages[m]
            source = self.binding.sources.get("box") if self.binding.match == "pgn" else None
            can_id, mask = self.names.address(message, source)
            reader = self._pages(message, f"{self.box.name}/{m}", items, 0, can_id, mask)
            self.bound.readers.append((can_id, mask, message.extended, reader))
        if self.binding.match == "pgn" and needs_source and "box" not in self.binding.sources:
            self.names.say(name, '"box" has no source address', expected="sources: {box: 0x..}")

    def _pages(self, message: DbMessage, name: str, items: list[Item], depth: int, can_id: int, mask: int) -> Page | Switch:
        deeper = [i for i in items if any(len(f.selectors) > depth for f in i[0])]
        if not deeper:
            return self._page(message, name, items, can_id, mask)
        plain = [i for i in items if i not in deeper]
        selector = next(f.selectors[depth][0] for i in deeper for f in i[0] if len(f.selectors) > depth)
        ids = {raw for f in message.fields.values() if len(f.selectors) > depth and f.selectors[depth][0] is selector for raw in f.selectors[depth][1]}
        pages: dict[int, Page | Switch] = {}
        for raw in sorted(ids):
            here = plain + [i for i in deeper if all(_is_on(f, depth, selector, raw) for f in i[0])]
            if here:
                mark = f"{name} page {raw}" if depth == 0 else f"{name}.{raw}"
                pages[raw] = self._pages(message, mark, here, depth + 1, can_id, mask)
        return Switch(name, self.box.name, message.length, selector, pages, frozenset(ids))

    def _page(self, message: DbMessage, name: str, items: list[Item], can_id: int, mask: int) -> Page:
        body = [r for _, r, c in items if isinstance(r, Observer) and not c]
        counters = [r for _, r, c in items if isinstance(r, Observer) and c]
        extras = [(fields, r) for fields, r, _ in items if not isinstance(r, Observer)]
        page = Page(name, self.box.name, message.length, body, counters, extras)
        signals = page.signals
        if any(r is self._identity_reader for _, r in extras):
            signals = (*signals, f"identity:{self.box.name}")
        own = [o.signal for o in (*body, *counters) if not o.trips] or signals
        cycle, spacing = self._timing([*own, *(s for s in signals if s.startswith("identity:"))], message)
        bound = BoundMessage(
            name, self.box.name, can_id, mask, message.extended, message.length, cycle, spacing, signals,
            database_message=message.name,
        )  # fmt: skip
        self.bound.pages.append((page, bound, message))
        return page

    def _timing(self, signals: Iterable[str], message: DbMessage) -> tuple[float | None, float | None]:
        """Cycle and on-change spacing: the spec's word for this kind of signal, else the definitions'."""
        kinds = {TIMING.get(s.partition(":")[0]) for s in signals}
        found = [self.box.frames_ms[k] for k in sorted(k for k in kinds if k) if k in self.box.frames_ms]
        if not found:
            spacing = message.spacing_ms if message.spacing_ms is not None else 0.0 if message.on_event else None
            return message.cycle_ms, spacing
        cycles = [f.cycle_ms for f in found if f.cycle_ms is not None]
        changes = [f.on_change_ms for f in found if f.on_change_ms is not None]
        return max(cycles, default=None), max(changes) if len(changes) == len(found) else None

    # ---- what the bench sends

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
            self.names.say(name, f"these signals lie in {', '.join(messages)}", expected="signals of one message")
            return None
        for f in found:
            if f.selectors:
                self.names.say(name, f"{f.full_name} is multiplexed", expected="a control message without multiplexer")
                return None
        return self.db.messages[next(iter(messages))] if messages else None

    def _control(self, reader: ControlReader) -> None:
        c = reader.carrier
        self.bound.controls.append(reader)
        self.bound.readers.append((c.can_id, c.id_mask, c.extended, reader))

    def _keys_of(self, node: str) -> dict[int, str]:
        kind, _, name = node.partition(" ")
        keys = {c.key: c.name for c in self.spec.controls.values() if (c.kind, c.node) == (kind, name)}
        for control in self.spec.outside:
            owner, _, number = control.rpartition(" ")
            if owner == node and number.isdigit():
                keys[int(number)] = control
        return dict(sorted(keys.items()))

    def _keys(self) -> None:
        for node in self._own_nodes():
            rule = self.binding.keys.get(node)
            keys = self._keys_of(node)
            if rule is None:
                for control in keys.values():
                    self.bound.cannot_send[control] = f"the binding has no keys for {node}"
                if keys:
                    self.names.warn(
                        SignalName("", self.binding.sheet.root), f"the binding has no keys for {node}: none of them can be pressed"
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
                if not (key.lo if key.lo is not None else lo) <= number <= (key.hi if key.hi is not None else hi):
                    self.bound.cannot_send[control] = f"{key.full_name} cannot hold {number}"

    def _level_keys(self, node: str, name: SignalName, rule: Rule, keys: dict[int, str], counter: Field | None) -> None:
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
                self.names.warn(tried, f'{control}: there is no signal "{tried.fill(number)}", so it cannot be pressed')
        if keys and not places:
            first = next(iter(keys))
            _, tried, _ = self.names.numbered(rule, first)
            self.names.missing(tried, tried.fill(first))
        by_message: dict[str, dict[str, Field]] = {}
        for control, found in places.items():
            by_message.setdefault(found.message, {})[control] = found
        for group in by_message.values():
            own = counter if counter is not None and counter.message == next(iter(group.values())).message else None
            message = self._together(name, [*group.values(), own])
            if message is not None:
                self._control(LevelKeys(self._carrier(message, node, name, own), group, rule, is_sensor=False))

    def _needs_both(self, name: SignalName, rule: Rule) -> None:
        if {value for _, _, value in rule.words} != {0, 1} and not any(c.line == name.part.line for c in self.names.complaints):
            self.names.say(name, f"{name.part.where} names no raw value for on or for off", expected="values: {0: off, 1: on}")

    def _alive(self) -> None:
        own = {*self._own_nodes(), "sensors"}
        for node, rule in self.binding.alive.items():
            if node not in own:
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
            self.names.warn(SignalName("", self.binding.sheet.root), "the binding has no controls.sensors: no sensor can be worked")
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
            self._control(LevelKeys(self._carrier(message, "sensors", name, counter), places, rule.rule, is_sensor=True))

    def _wake(self) -> None:
        rule = self.binding.wake
        if self.box.wake.by != "message":
            return
        if rule is None:
            self.bound.cannot_send[f"wake {self.box.name}"] = "the binding has no controls.wake"
            self.names.warn(
                SignalName("", self.binding.sheet.root), f"{self.box.name} wakes by message, but the binding has no controls.wake"
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


def _is_on(f: Field, depth: int, selector: Field, raw: int) -> bool:
    """Whether a field is there when the selector at this depth reads `raw`."""
    return len(f.selectors) <= depth or (f.selectors[depth][0] is selector and raw in f.selectors[depth][1])


def _shown(raw: int, show: str) -> str:
    if show == "version":
        return f"{raw >> 8}.{raw & 0xFF}"
    return f"{raw:08X}" if show == "hex" else f"{raw}"


def control_name(kind: str, node: str, key: int) -> str:
    """The one name of a key."""
    return panel_key(node, key) if kind == "panel" else screen_key(node, key)
