"""All boxes' definitions bound to one spec: decode, encode, and plain facts about the messages."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from bench.core.errors import Complaint, DefinitionError
from bench.core.frame import Frame
from bench.core.signal import Observation
from bench.spec.model import Spec

from .bind import Bound, bind_box
from .binding import load_binding
from .controls import ControlReader, EventKeys, LevelKeys
from .database import Field
from .find import find_file
from .load_dbc import load_database
from .observers import Observer, Page, Reader, bit_places
from .raw import raw_field
from .readings import BoundMessage, KeyTemplate, RawField, Reading
from .routes import all_routes, collisions, control_message, merge_wakes
from .sending import Sender

if TYPE_CHECKING:
    import numpy as np

    from .bulk import Bulk

_REMEMBERED_IDS = 4096


class Definitions:
    """Made by load_definitions. Reading a box's frames keeps no state; reading keys sent as levels
    and sensor inputs does (they tell changes), which `forget` clears. Thread: one.

    `warnings`: what the spec names and nobody can see or send. `paths`: every file read.
    `unobservable`: signal -> why. `cannot_send`: control, sensor or `wake BOX` -> why.
    `signal_message`: signal -> the message that shows it; `messages_of`: all that show something of it.
    `keys`: controls that can be pressed. `level_message`: control that is sent as a level, again and again
    -> the message that carries it. `key_counter_bits`: node whose keys are events -> size of their counter;
    `level_counters`: message of keys or sensors sent as levels -> where it counts its frames.
    `reports`: identifier, mask, extended, reader of what boxes send;
    `routes`: of what controls send too, the first that fits counts.
    """

    def __init__(
        self, keys: Sequence[str], bound: Sequence[Bound], warnings: Sequence[Complaint], paths: Sequence[str]
    ) -> None:
        self.warnings = tuple(warnings)
        self.paths = tuple(paths)
        self.unobservable: Mapping[str, str] = {
            k: v for b in bound for k, v in b.reports.unobservable.items()
        }
        self.cannot_send: Mapping[str, str] = {k: v for b in bound for k, v in b.controls.cannot_send.items()}
        self.keys = tuple(k for k in keys if k not in self.cannot_send)
        self.controls: tuple[ControlReader, ...] = tuple(
            merge_wakes([c for b in bound for c in b.controls.readers])
        )
        levels = [c for c in self.controls if isinstance(c, LevelKeys) and not c.is_sensor]
        events = [c for c in self.controls if isinstance(c, EventKeys)]
        self.key_counter_bits: Mapping[str, int] = {
            c.carrier.node: c.carrier.counter.size for c in events if c.carrier.counter is not None
        }
        self.level_counters: Mapping[str, Field] = {
            c.carrier.name: c.carrier.counter
            for c in self.controls
            if isinstance(c, LevelKeys) and c.carrier.counter is not None
        }
        self.level_message: Mapping[str, str] = {k: c.carrier.name for c in levels for k in c.places}
        self.reports = tuple(r for b in bound for r in b.reports.readers)
        self._pages = [(page, message) for b in bound for page, message, _ in b.reports.pages]
        self.routes = all_routes(self.reports, self.controls)
        self._by_id: dict[int, Reader | None] = {}
        self._observers: dict[str, tuple[Observer, BoundMessage, Page]] = {}
        self.signal_message: Mapping[str, str] = self._signals()
        self.messages_of: Mapping[str, tuple[str, ...]] = self._showing()

    def _signals(self) -> dict[str, str]:
        """Signal -> message; a field that only hints at a fault counts where nothing else shows it."""
        found: dict[str, str] = {}
        for is_hint in (False, True):
            for page, message in self._pages:
                for o in (*page.body, *page.counters):
                    if o.trips == is_hint and o.signal not in found:
                        found[o.signal] = message.name
                        self._observers[o.signal] = (o, message, page)
        for _, message in self._pages:
            found |= {s: message.name for s in message.signals if s.startswith("identity:")}
        return found

    def _showing(self) -> dict[str, tuple[str, ...]]:
        found: dict[str, tuple[str, ...]] = {}
        for page, message in self._pages:
            for signal in dict.fromkeys((*page.signals, *message.signals)):
                found[signal] = (*found.get(signal, ()), message.name)
        return found

    def decode(self, frame: Frame) -> Reading | None:
        """What a frame says; None when it is not one of ours (or a remote or error frame)."""
        key = frame.can_id if frame.extended else ~frame.can_id
        try:
            reader = self._by_id[key]
        except KeyError:
            reader = self._find(frame.can_id, frame.extended)
            if len(self._by_id) < _REMEMBERED_IDS:
                self._by_id[key] = reader
        if reader is None or frame.remote or frame.error:
            return None
        return reader.read(frame)

    def _find(self, frame_id: int, frame_extended: bool) -> Reader | None:
        for can_id, mask, extended, reader in self.routes:
            if extended == frame_extended and not (can_id ^ frame_id) & mask:
                return reader
        return None

    def decode_changed(self, frame: Frame, last: Reading | None) -> tuple[Observation, ...]:
        """Observations, counters aside, that differ from the reading before it of the same message."""
        reading = self.decode(frame)
        if reading is None or (last is not None and reading.body is last.body):
            return ()
        before = set(last.body) if last is not None else set()
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

    def forget_sensors(self, message: str) -> list[str]:
        """The next frame of this control message tells of each of its sensors anew; these are given back."""
        readers = [
            c for c in self.controls if isinstance(c, LevelKeys) and c.is_sensor and c.carrier.name == message
        ]
        for reader in readers:
            reader.forget()
        return [name for reader in readers for name in reader.places]

    def forget_sensor(self, name: str) -> None:
        """The next frame of this sensor tells of it anew, and of others that it bears."""
        for message in {
            c.carrier.name
            for c in self.controls
            if isinstance(c, LevelKeys) and c.is_sensor and name in c.places
        }:
            self.forget_sensors(message)

    def messages(self) -> tuple[BoundMessage, ...]:
        """Every bound message once: the boxes' first, then those of panels, screens and sensors."""
        sent: dict[str, BoundMessage] = {}
        for c in self.controls:
            message = control_message(c)
            if message.name not in sent or message.signals:  # keys that are a sign of life too
                sent[message.name] = message
        return (*(message for _, message in self._pages), *sent.values())

    def step_of(self, signal: str) -> float:
        """Physical value of one raw count; 1 for states, lamps and other words.

        **Raises:** KeyError for a signal that is not bound.
        """
        return self._observers[signal][0].step

    def raw_field(self, signal: str) -> RawField:
        """Where the raw value lies and which values mean off and on.

        **Raises:** KeyError for a signal that is not bound.
        """
        observer, message, page = self._observers[signal]
        return raw_field(observer, message, page.selected)

    def sender(self) -> Sender:
        """A fresh sender of keys, sensors, wake calls and heartbeats, with counters from 0."""
        return Sender(self.controls, self.keys, self.cannot_send)

    def encode_key(self, control: str, pressed: bool, counter: int) -> tuple[int, bytes, bool]:
        """One key event (id, data, extended). For keys sent as levels no other key is held.

        **Raises:** DefinitionError when nothing is bound to the control.
        """
        reader = self.sender().key_reader(control)
        c = reader.carrier
        if isinstance(reader, EventKeys):
            return c.can_id, reader.payload(int(control.rpartition(" ")[2]), pressed, counter), c.extended
        return c.can_id, reader.payload({control: pressed}, counter), c.extended

    def key_template(self, control: str, pressed: bool) -> KeyTemplate:
        """`encode_key` with the place of its counter, for senders without definitions."""
        can_id, data, extended = self.encode_key(control, pressed, 0)
        c = self.sender().key_reader(control).carrier
        return KeyTemplate(
            c.node, can_id, extended, data, bit_places(c.counter, c.length) if c.counter else ()
        )

    def node_of(self, subject: str) -> str | None:
        """The node that sends a control ("panel helm 1") or a sensor's input; None when none does."""
        for c in self.controls:
            if isinstance(c, LevelKeys) and subject in c.places:
                return c.carrier.node
            if isinstance(c, EventKeys) and subject.rpartition(" ")[0] == c.carrier.node:
                return c.carrier.node
        return None


def load_definitions(spec: Spec, base: Path | None, *, shipped: bool = True) -> Definitions:
    """Finds, lints, loads and binds the definitions of every box of a spec.

    `base`: the spec's folder; with `shipped`, files not there are taken from those that ship with the
    package. A session is judged by its own copies alone.
    **Raises:** DefinitionError with all complaints, each with file and line where there is one.
    """
    complaints: list[Complaint] = []
    warnings: list[Complaint] = []
    bound: list[Bound] = []
    paths: list[str] = []
    for box in spec.boxes.values():
        got: list[Path] = []
        for name in (box.definitions, box.binding):
            try:
                got.append(find_file(name, base, shipped=shipped))
            except DefinitionError as e:
                complaints += [c for c in e.complaints if c not in complaints]
        if len(got) < 2:
            continue
        try:
            db, binding = load_database(got[0]), load_binding(got[1])
        except DefinitionError as e:
            complaints += [c for c in e.complaints if c not in complaints]
            continue
        paths += [str(p) for p in got]
        bound.append(bind_box(spec, box, db, binding))
        complaints += [c for c in bound[-1].complaints if c not in complaints]
        warnings += [w for w in (*db.warnings, *bound[-1].warnings) if w not in warnings]
    if not complaints:
        reports = [r for b in bound for r in b.reports.readers]
        complaints += collisions(reports, merge_wakes([c for b in bound for c in b.controls.readers]))
    if complaints:
        raise DefinitionError(complaints)
    keys = (*spec.controls, *(k for k in spec.outside if k not in spec.controls))
    return Definitions(keys, bound, warnings, list(dict.fromkeys(paths)))
