"""What a box reports: pages of observers out of definitions, binding and spec."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from bench.core.signal import Observation
from bench.spec.model import Box, Spec

from .binding import Binding, Rule, SignalName
from .database import DbMessage, Field
from .nodes import counted, is_counted, own_nodes
from .observers import Extra, Observer, Page, Switch, in_spans
from .readings import BoundMessage
from .resolve import Resolver
from .words import PER_BOX, PER_CHANNEL, STATE, TIMING

Item = tuple[tuple[Field, ...], "Observer | Extra", bool]  # fields, what reads them, is it a message counter


@dataclass(slots=True)
class Reports:
    """Readers with identifier, mask and extended; their pages; what is not observable and why."""

    readers: list[tuple[int, int, bool, Page | Switch]] = field(default_factory=list)
    pages: list[tuple[Page, BoundMessage, DbMessage]] = field(default_factory=list)
    unobservable: dict[str, str] = field(default_factory=dict)


class ReportBinder:
    """Works through the reports of one binding; complaints and warnings gather in `names`."""

    def __init__(self, spec: Spec, box: Box, binding: Binding, names: Resolver) -> None:
        self.spec, self.box, self.binding, self.names = spec, box, binding, names
        self.db = names.db
        self.bound = Reports()
        self._items: dict[str, list[Item]] = {}
        self._identity_reader: Extra | None = None
        self._shown: dict[tuple[str, str], str] = {}  # kind and field -> signal

    def run(self) -> Reports:
        """The bound messages; look at `names.complaints` before using them."""
        for kind in PER_CHANNEL:
            self._per_channel(kind)
        self._derive_faults()
        self._lamps()
        self._panel_lights()
        self._sensor_reports()
        for kind in PER_BOX:
            for rule in self.binding.reports.get(kind, ()):
                self._single(rule, f"{kind}:{self.box.name}")
        self._identity()
        self._ack()
        self._counters()
        self._finish_reports()
        return self.bound

    def _add(self, found: Field, reader: Observer, *, is_counter: bool = False) -> None:
        self._items.setdefault(found.message, []).append(((found,), reader, is_counter))

    def _observe(self, rule: Rule, name: SignalName, found: Field, signal: str) -> None:
        self.names.fits(rule, name, found)
        kind = signal.partition(":")[0]
        other = self._shown.setdefault((kind, found.full_name), signal)
        if other != signal and kind != "backlight":  # one dimmer may light every panel
            self.names.say(name, f"{found.full_name} stands for both {other} and {signal}")
        self._add(found, Observer(signal, found, rule))

    def _single(self, rule: Rule, signal: str) -> None:
        for name in rule.names:
            if found := self.names.require(name):
                self._observe(rule, name, found, signal)
                return

    def _numbered(self, rules: tuple[Rule, ...], wanted: Sequence[tuple[int, str, str]]) -> None:
        """`wanted`: number, signal, words for a warning."""
        left = list(wanted)
        for rule in rules:
            mine = [w for w in left if not rule.numbers or in_spans(w[0], rule.numbers)]
            left = [w for w in left if w not in mine]
            self._by_rule(rule, mine)
        for number, signal, about in left:
            why = f"{about}: no rule of {rules[-1].part.where} is for {number}, so it is not observable"
            self._blind(signal, SignalName("", rules[-1].part), why)

    def _by_rule(self, rule: Rule, wanted: Sequence[tuple[int, str, str]]) -> None:
        """All missing: the rule's name is wrong. Some: those are not observable."""
        missing: list[tuple[str, SignalName, str, int]] = []
        reasons: list[str] = []
        for number, signal, about in wanted:
            found, name, why = self.names.numbered(rule, number)
            if found is not None:
                self._observe(rule, name, found, signal)
            else:
                missing.append((signal, name, about, number))
                reasons.append(why)
        hopeless = len(missing) == len(wanted) or any(reasons)
        if missing and (hopeless or any(self.names.is_mispadded(n.fill(k)) for _, n, _, k in missing)):
            _, name, _, number = missing[0]
            self.names.missing(name, name.fill(number), next((r for r in reasons if r), ""))
            return
        for signal, name, about, number in missing:
            self._blind(
                signal, name, f'{about}: there is no signal "{name.fill(number)}", so it is not observable'
            )

    def _blind(self, signal: str, name: SignalName | None, why: str) -> None:
        self.bound.unobservable[signal] = why
        self.names.warn(name or SignalName("", self.binding.sheet.root), f"{signal}: {why}")

    def _per_channel(self, kind: str) -> None:
        circuits = [c for c in self.spec.circuits.values() if c.box == self.box.name]
        rules = self.binding.reports.get(kind)
        if not rules:
            for c in circuits:
                self.bound.unobservable[f"{kind}:{c.name}"] = f"the binding has no {kind}"
            words = [w for r in self.binding.reports.get("state", ()) for _, _, w in r.words]
            if circuits and not (kind == "fault" and STATE["tripped"] in words):
                self.names.warn(
                    SignalName("", self.binding.sheet.root),
                    f"the binding has no {kind}: it is not observable on {self.box.name}",
                )
            return
        self._numbered(rules, [(c.channel, f"{kind}:{c.name}", f"channel {c.channel}") for c in circuits])

    def _derive_faults(self) -> None:
        """A state field's "tripped" is a fault besides, even where faults have frames of their own."""
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
        for node in own_nodes(self.spec, self.box):
            controls = [
                c for c in self.spec.controls.values() if f"{c.kind} {c.node}" == node and c.lamp is not None
            ]
            if rules := self.binding.lamps.get(node):
                self._numbered(rules, [(c.key, f"lamp:{c.name}", c.name) for c in controls])
                continue
            for c in controls:
                self._blind(f"lamp:{c.name}", None, f"the binding has no lamp for {node}")

    def _panel_lights(self) -> None:
        for light in self.spec.backlights:
            if self.spec.panels[light.panel].box != self.box.name:
                continue
            if rules := self.binding.backlights.get(f"panel {light.panel}"):
                self._single(rules[0], f"backlight:{light.panel}")
            else:
                self._blind(
                    f"backlight:{light.panel}", None, f"the binding has no backlight for panel {light.panel}"
                )

    def _sensor_reports(self) -> None:
        sensors = [s for s in self.spec.sensors.values() if s.box == self.box.name]
        if rules := self.binding.reports.get("sensor"):
            self._numbered(rules, [(s.input, f"sensor:{s.name}", f"sensor {s.name}") for s in sensors])
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
            self.names.say(
                name, f"identity is spread over {', '.join(sorted(messages))}", expected="one message"
            )
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
        named = {a: n for n, a in self.binding.sources.items() if n.startswith(("panel ", "screen "))}
        nodes = {raw: counted(self.spec, self.box, n) or n for raw, n in (rule.sources or named).items()}

        def read(data: bytes) -> Observation | str:
            node, number, seen = nodes.get(source.take(data)), key.take(data), counter.take(data)
            if node is None or is_counted(node):
                return f"it acknowledges key {number} of source {source.take(data):#04x}, which is no node"
            return Observation(f"ack:{node} {number}", float(seen), seen)

        self._items.setdefault(key.message, []).append(((source, key, counter), read, False))

    def _counters(self) -> None:
        """A message counter in every bound message that has a signal of that name."""
        for name in self.binding.counters:
            message, dot, signal = name.text.rpartition(".")
            if dot:
                if found := self.names.require(name):
                    self._add_counter(found, message)
                continue
            holders = [m for m in self._items if signal in self.db.messages[m].fields]
            if not holders:
                self.names.missing(name, name.text)
            for m in holders:
                found = self.db.messages[m].fields[signal]
                taken = any(found in fields and not _is_alive(r) for fields, r, _ in self._items[m])
                if not taken and self.names.usable(name, found):
                    self._add_counter(found, m)

    def _add_counter(self, found: Field, message: str) -> None:
        anything = replace(found, lo=None, hi=None)  # a counter has no range
        rule = Rule(self.binding.sheet.root, ())
        self._add(found, Observer(f"counter:{self.box.name}/{message}", anything, rule), is_counter=True)

    def _finish_reports(self) -> None:
        name = SignalName("", self.binding.sheet.root)
        needs_source = any(self.db.messages[m].extended for m in self._items)
        for m, items in self._items.items():
            message = self.db.messages[m]
            source = self.binding.sources.get("box") if self.binding.match == "pgn" else None
            can_id, mask = self.names.address(message, source)
            reader = self._pages(message, f"{self.box.name}/{m}", items, (), (can_id, mask))
            if isinstance(reader, Switch) and any(c for _, _, c in items) and not self.binding.counter_pages:
                self.names.say(
                    self.binding.counters[0],
                    f"{m} is multiplexed and counted: do its pages share one counter?",
                    expected="pages: shared | own",
                )
            self.bound.readers.append((can_id, mask, message.extended, reader))
        if self.binding.match == "pgn" and needs_source and "box" not in self.binding.sources:
            self.names.say(name, '"box" has no source address', expected="sources: {box: 0x..}")

    def _pages(
        self,
        message: DbMessage,
        name: str,
        items: list[Item],
        selected: tuple[int, ...],
        address: tuple[int, int],
    ) -> Page | Switch:
        depth = len(selected)
        deeper = [i for i in items if any(len(f.selectors) > depth for f in i[0])]
        if not deeper:
            return self._page(message, name, items, selected, address)
        selectors = [f.selectors[depth][0] for i in deeper for f in i[0] if len(f.selectors) > depth]
        selector = selectors[0]
        if other := next((s for s in selectors if s != selector), None):
            self.names.say(
                SignalName("", self.binding.sheet.root),
                f"{selector.full_name} and {other.name} choose pages side by side",
                advice="the bench reads multiplexers inside each other, not beside each other",
            )
        known = frozenset(raw for f in message.fields.values() for raw in _values(f, depth, selector))
        pages: dict[int, Page | Switch] = {}
        for raw in sorted(known):
            here = [
                i
                for i in items
                if all(len(f.selectors) <= depth or raw in _values(f, depth, selector) for f in i[0])
            ]
            if here:
                mark = f"{name}.{raw}" if depth else f"{name} page {raw}"
                pages[raw] = self._pages(message, mark, here, (*selected, raw), address)
        return Switch(name, self.box.name, message.length, selector, pages, known)

    def _page(
        self,
        message: DbMessage,
        name: str,
        items: list[Item],
        selected: tuple[int, ...],
        address: tuple[int, int],
    ) -> Page:
        body = [r for _, r, c in items if isinstance(r, Observer) and not c]
        counters = [r for _, r, c in items if isinstance(r, Observer) and c]
        extras = [(fields, r) for fields, r, _ in items if not isinstance(r, Observer)]
        page = Page(name, self.box.name, message.length, body, counters, extras, selected)
        identity = [f"identity:{self.box.name}"] if self._identity_reader in page.extras else []
        shown = [o.signal for o in (*body, *counters) if not o.trips] + identity
        cycle, spacing = self._timing(shown or page.signals, message)
        can_id, mask = address
        bound = BoundMessage(
            name=name,
            node=self.box.name,
            can_id=can_id,
            id_mask=mask,
            extended=message.extended,
            length=message.length,
            cycle_ms=cycle,
            on_change_ms=spacing,
            signals=(*page.signals, *identity),
            database_message=message.name,
            counter_bits=counters[0].field.size if counters else 0,
            counted_as=f"{self.box.name}/{message.name}" if self.binding.counter_pages == "shared" else name,
        )
        self.bound.pages.append((page, bound, message))
        return page

    def _timing(self, signals: Iterable[str], message: DbMessage) -> tuple[float | None, float | None]:
        """Cycle and on-change spacing: the spec's word for this kind of signal, else the definitions'."""
        kinds = {TIMING.get(s.partition(":")[0]) for s in signals}
        found = [self.box.frames_ms[k] for k in sorted(k for k in kinds if k) if k in self.box.frames_ms]
        if not found:
            spacing = (
                message.spacing_ms if message.spacing_ms is not None else 0.0 if message.on_event else None
            )
            return message.cycle_ms, spacing
        cycles = [f.cycle_ms for f in found if f.cycle_ms is not None]
        changes = [f.on_change_ms for f in found if f.on_change_ms is not None]
        return max(cycles, default=None), max(changes) if len(changes) == len(found) else None


def _values(f: Field, depth: int, selector: Field) -> frozenset[int]:
    """Values of the selector at this depth under which a field is there."""
    if len(f.selectors) > depth and f.selectors[depth][0] == selector:
        return f.selectors[depth][1]
    return frozenset()


def _shown(raw: int, show: str) -> str:
    if show == "version":
        return f"{raw >> 8}.{raw & 0xFF}"
    return f"{raw:08X}" if show == "hex" else f"{raw}"


def _is_alive(reader: Observer | Extra) -> bool:
    """A sign of life that counts is its message's counter too."""
    return isinstance(reader, Observer) and reader.signal.startswith("alive:")
