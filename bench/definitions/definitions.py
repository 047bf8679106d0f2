"""All boxes' definitions bound to one spec: decode, encode, and plain facts about the messages."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from bench.core.errors import Complaint, DefinitionError
from bench.core.frame import Frame
from bench.core.signal import Observation
from bench.spec.model import Spec

from .bind import Binder, Bound
from .binding import load_binding
from .controls import Carrier, EventKeys, Heartbeat, LevelKeys, Several, WakeCall
from .database import Field, load_database
from .find import find_file
from .observers import Observer, Page, Reader, Switch, bit_places
from .readings import BoundMessage, KeyTemplate, RawField, Reading
from .words import STATE

if TYPE_CHECKING:
    import numpy as np

    from .bulk import Bulk
    from .sending import Sender

Route = tuple[int, int, bool, Reader]
_REMEMBERED_IDS = 4096
_LISTED_RAWS = 4096


class Definitions:
    """Made by load_definitions. Reading a box's frames keeps no state; reading keys sent as levels
    and sensor inputs does (they tell changes), which `forget` clears. Thread: one.

    `warnings`: what the spec names and nobody can see or send. `unobservable`: signal -> why.
    `cannot_send`: control, sensor or `wake BOX` -> why.
    """

    def __init__(
        self, keys: tuple[str, ...], bound: list[Bound], warnings: tuple[Complaint, ...], paths: tuple[str, ...]
    ) -> None:
        self.warnings = warnings
        self.paths = paths  # every file read, DBC and binding
        self.unobservable: Mapping[str, str] = {k: v for b in bound for k, v in b.unobservable.items()}
        self.cannot_send: Mapping[str, str] = {k: v for b in bound for k, v in b.cannot_send.items()}
        self.keys = tuple(k for k in keys if k not in self.cannot_send)  # controls that can be pressed
        self.controls = merge_wakes([c for b in bound for c in b.controls])
        self._pages = [p for b in bound for p in b.pages]
        self._routes = merged_routes([r for b in bound for r in b.readers if not isinstance(r[3], WakeCall)], self.controls)
        self._by_id: dict[int, Reader | None] = {}
        self._observers: dict[str, tuple[Observer, BoundMessage]] = {}
        self.signal_message: Mapping[str, str] = self._signals()

    def _signals(self) -> dict[str, str]:
        found: dict[str, str] = {}
        for page, bound, _ in self._pages:
            observers = {o.signal: o for o in (*page.body, *page.counters) if not o.trips}
            for signal in bound.signals:
                if signal in observers and signal not in self._observers:
                    self._observers[signal] = (observers[signal], bound)
                    found[signal] = bound.name
                elif signal.startswith("identity:"):
                    found[signal] = bound.name
        for page, bound, _ in self._pages:  # a fault seen only as a state
            for o in page.body:
                if o.trips and o.signal not in found:
                    found[o.signal] = bound.name
                    self._observers[o.signal] = (o, bound)
        return found

    def decode(self, frame: Frame) -> Reading | None:
        """What a frame says; None when it is not one of ours (or a remote or error frame)."""
        key = frame.can_id if frame.extended else ~frame.can_id
        try:
            reader = self._by_id[key]
        except KeyError:
            reader = self._find(frame, key)
        if reader is None or frame.remote or frame.error:
            return None
        return reader.read(frame)

    def _find(self, frame: Frame, key: int) -> Reader | None:
        found = None
        for can_id, mask, extended, reader in self._routes:
            if extended == frame.extended and not (can_id ^ frame.can_id) & mask:
                found = reader
                break
        if len(self._by_id) < _REMEMBERED_IDS:
            self._by_id[key] = found
        return found

    def decode_changed(self, frame: Frame, last: Reading | None) -> tuple[Observation, ...]:
        """Observations of a box's frame that differ from the reading before it of the same message."""
        reading = self.decode(frame)
        if reading is None or (last is not None and reading.body is last.body):
            return ()
        if last is None:
            return reading.body
        before = set(last.body)
        return tuple(o for o in reading.body if o not in before)

    def decode_bulk(self, ids: np.ndarray, payloads: np.ndarray, lengths: np.ndarray) -> Bulk:
        """As `decode` for many frames of boxes at once; see bulk.decode_bulk."""
        from .bulk import decode_bulk

        return decode_bulk(self, ids, payloads, lengths)

    def forget(self) -> None:
        """Reading starts anew: nothing is known of keys and inputs sent as levels."""
        for control in self.controls:
            if isinstance(control, LevelKeys):
                control.forget()

    def messages(self) -> tuple[BoundMessage, ...]:
        """Every bound message: the boxes' first, then those of panels, screens and sensors."""
        return (*(bound for _, bound, _ in self._pages), *(_control_message(c) for c in self.controls))

    def step_of(self, signal: str) -> float:
        """Physical value of one raw count; 1 for states, lamps and other words.

        **Raises:** KeyError for a signal that is not bound.
        """
        return self._observers[signal][0].step

    def raw_field(self, signal: str) -> RawField:
        """Where the raw value lies and which values mean off and on.

        **Raises:** KeyError for a signal that is not bound.
        """
        observer, bound = self._observers[signal]
        f = observer.field
        off, on, unknown = _raw_meanings(observer)
        return RawField(
            can_id=bound.can_id, id_mask=bound.id_mask, extended=bound.extended, length=bound.length,
            start=f.start, size=f.size, byte_order="big" if f.big else "little",
            bits=bit_places(f, bound.length), off=off, on=on, not_available=unknown,
            selectors=tuple((bit_places(s, bound.length), self._page_value(bound, s)) for s, _ in f.selectors),
        )  # fmt: skip

    def _page_value(self, bound: BoundMessage, selector: Field) -> int:
        tail = bound.name.rpartition(" page ")[2].split(".")
        message = next(m for _, b, m in self._pages if b is bound)
        depth = len(selector.selectors)
        assert message.fields[selector.name] is selector
        return int(tail[depth]) & selector.mask

    def sender(self) -> Sender:
        """A fresh sender of keys, sensors, wake calls and heartbeats, with counters from 0."""
        from .sending import Sender

        return Sender(self)

    def encode_key(self, control: str, pressed: bool, counter: int) -> tuple[int, bytes, bool]:
        """One key event (id, data, extended). For keys sent as levels no other key is held.

        **Raises:** DefinitionError when nothing is bound to the control.
        """
        reader = self.key_reader(control)
        c = reader.carrier
        if isinstance(reader, EventKeys):
            return c.can_id, reader.payload(int(control.rpartition(" ")[2]), pressed, counter), c.extended
        return c.can_id, reader.payload({control: pressed}, counter), c.extended

    def key_template(self, control: str, pressed: bool) -> KeyTemplate:
        """`encode_key` with the place of its counter, for senders without definitions."""
        can_id, data, extended = self.encode_key(control, pressed, 0)
        c = self.key_reader(control).carrier
        bits = bit_places(c.counter, c.length) if c.counter else ()
        return KeyTemplate(c.node, can_id, extended, data, bits)

    def key_reader(self, control: str) -> EventKeys | LevelKeys:
        """What reads and writes a control's key.

        **Raises:** DefinitionError when nothing is bound to it.
        """
        node = control.rpartition(" ")[0]
        if control not in self.cannot_send:
            for c in self.controls:
                if isinstance(c, EventKeys) and c.carrier.node == node:
                    return c
                if isinstance(c, LevelKeys) and not c.is_sensor and control in c.places:
                    return c
        why = self.cannot_send.get(control, "the binding has no such key")
        raise DefinitionError(Complaint(f"{control} cannot be pressed: {why}"))

    def node_of(self, subject: str) -> str | None:
        """The node that sends a control ("panel helm 1") or a sensor's input; None when none does."""
        for c in self.controls:
            if isinstance(c, LevelKeys) and subject in c.places:
                return c.carrier.node
            if isinstance(c, EventKeys) and subject.rpartition(" ")[0] == c.carrier.node:
                return c.carrier.node
        return None

    @property
    def pages(self) -> tuple[tuple[int, int, bool, Page | Switch], ...]:
        """Identifier, mask, extended and reader of everything the boxes report."""
        return tuple((i, m, e, r) for i, m, e, r in self._routes if isinstance(r, Page | Switch))


def load_definitions(spec: Spec, base: Path | None) -> Definitions:
    """Finds, lints, loads and binds the definitions of every box of a spec.

    `base`: the spec's folder; files not there are taken from those that ship with the package.
    **Raises:** DefinitionError with all complaints, each with file and line where there is one.
    """
    complaints: list[Complaint] = []
    warnings: list[Complaint] = []
    bound: list[Bound] = []
    paths: list[str] = []
    for box in spec.boxes.values():
        try:
            definitions, binding_path = find_file(box.definitions, base), find_file(box.binding, base)
            db, binding = load_database(definitions), load_binding(binding_path)
        except DefinitionError as e:
            complaints += [c for c in e.complaints if c not in complaints]
            continue
        paths += [str(definitions), str(binding_path)]
        warnings += [w for w in db.warnings if w not in warnings]
        binder = Binder(spec, box, db, binding)
        bound.append(binder.run())
        complaints += binder.names.complaints
        warnings += binder.names.warnings
    if not complaints:
        complaints += _collisions(bound)
    if complaints:
        raise DefinitionError(complaints)
    keys = (*spec.controls, *(k for k in spec.outside if k not in spec.controls))
    return Definitions(keys, bound, tuple(warnings), tuple(dict.fromkeys(paths)))


def merge_wakes(controls: list[EventKeys | LevelKeys | Heartbeat | WakeCall]) -> list[EventKeys | LevelKeys | Heartbeat | WakeCall]:
    """Wake calls of several boxes by one message become one that wakes them all."""
    out: list[EventKeys | LevelKeys | Heartbeat | WakeCall] = []
    for c in controls:
        same = next(
            (o for o in out if isinstance(o, WakeCall) and isinstance(c, WakeCall) and _address(o.carrier) == _address(c.carrier)),
            None,
        )
        if same is not None and isinstance(c, WakeCall):
            out[out.index(same)] = WakeCall(same.carrier, same.boxes + c.boxes, same.sends_id)
        else:
            out.append(c)
    return out


def _address(c: Carrier) -> tuple[int, int, bool]:
    return c.can_id & c.id_mask, c.id_mask, c.extended


def merged_routes(reports: list[Route], controls: list[EventKeys | LevelKeys | Heartbeat | WakeCall]) -> list[Route]:
    """One reader an identifier; control frames that mean several things are read for all of them."""
    groups: dict[tuple[int, int, bool], list[EventKeys | LevelKeys | Heartbeat | WakeCall]] = {}
    for c in controls:
        groups.setdefault(_address(c.carrier), []).append(c)
    routes: list[Route] = [r for r in reports if isinstance(r[3], Page | Switch)]
    for (can_id, mask, extended), group in groups.items():
        routes.append((can_id, mask, extended, group[0] if len(group) == 1 else Several(tuple(group))))
    return routes


def _collisions(bound: list[Bound]) -> list[Complaint]:
    """Two nodes whose frames could not be told apart."""
    found: list[Complaint] = []
    seen: list[tuple[int, int, bool, str, bool]] = []
    for b in bound:
        for can_id, mask, extended, reader in b.readers:
            is_control = not isinstance(reader, Page | Switch)
            name = reader.message if isinstance(reader, Page | Switch) else reader.carrier.name
            node = name.partition("/")[0]
            for other_id, other_mask, other_extended, other, was_control in seen:
                if extended != other_extended or (can_id ^ other_id) & mask & other_mask:
                    continue
                if is_control and was_control and node == other.partition("/")[0]:
                    continue
                found.append(
                    Complaint(
                        f"{name} and {other} have the same identifier {can_id:X}",
                        advice="give the nodes different source addresses in their bindings",
                    )
                )
            seen.append((can_id, mask, extended, name, is_control))
    return found


def _raw_meanings(o: Observer) -> tuple[tuple[int, ...], tuple[int, ...], tuple[int, ...]]:
    """Raw bit patterns that mean off, on, and not available."""
    mask = o.mask

    def patterns(spans: list[tuple[int, int]]) -> tuple[int, ...]:
        raws = [raw for lo, hi in spans for raw in range(lo, min(hi, lo + _LISTED_RAWS) + 1)]
        return tuple(raw & mask for raw in raws[:_LISTED_RAWS])

    rule = o.rule
    unknown = patterns([*rule.not_available, *rule.error])
    if rule.words:
        on = [(lo, hi) for lo, hi, value in rule.words if value == STATE["on"]]
        off = [(lo, hi) for lo, hi, value in rule.words if value in (STATE["off"], STATE["tripped"])]
        if not o.signal.startswith(("state:", "lamp:", "sensor:")):
            on = [(lo, hi) for lo, hi, value in rule.words if value != 0]
            off = [(lo, hi) for lo, hi, value in rule.words if value == 0]
        return patterns(off), patterns(on), unknown
    zero = -o.offset / o.scale
    off_raw = round(zero)
    if abs(off_raw - zero) > 1e-6:
        return (), (), unknown
    return (off_raw & mask,), (), unknown


def _control_message(c: EventKeys | LevelKeys | Heartbeat | WakeCall) -> BoundMessage:
    signals: tuple[str, ...] = ()
    if isinstance(c, LevelKeys):
        signals = tuple(c.places)
    elif isinstance(c, WakeCall):
        signals = c.boxes
    k = c.carrier
    spacing = None if isinstance(c, Heartbeat) else 0.0
    return BoundMessage(
        k.name, k.node, k.can_id, k.id_mask, k.extended, k.length, k.period_ms, spacing, signals,
        is_control=True, database_message=k.name.partition("/")[2],
    )  # fmt: skip


