"""What safe-off needs to know, as plain data: `safe_off.json` in the session folder.

Bit positions are absolute: 8 * byte + bit within the byte (0 the least significant), most
significant first, so that no byte order and no definitions file is needed to use them.
Imports nothing but json: the guard loads this.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

VERSION = 1


@dataclass(frozen=True, slots=True)
class Field:
    """Where a raw number lies: frames whose identifier is `can_id` under `mask`, and in which each
    of `selectors` (bits, value) reads its value (multiplexed messages)."""

    can_id: int
    extended: bool
    bits: tuple[int, ...]
    mask: int = 0x1FFFFFFF
    selectors: tuple[tuple[tuple[int, ...], int], ...] = ()


@dataclass(frozen=True, slots=True)
class Reading:
    """A circuit's reported state: `on` raw values mean on, `off` raw values mean off (tripped counts
    as off), all others are unknown; with `any_other_on` (a level) all others but `unknown` mean on."""

    where: Field
    on: tuple[int, ...]
    off: tuple[int, ...]
    any_other_on: bool = False
    unknown: tuple[int, ...] = ()

    def of(self, payload: bytes) -> bool | None:
        """On, off, or None for unknown."""
        raw = get_bits(payload, self.where.bits)
        if raw in self.off:
            return False
        if raw in self.on or (self.any_other_on and raw >= 0 and raw not in self.unknown):
            return True
        return None


@dataclass(frozen=True, slots=True)
class Template:
    """A frame ready to send but for its counter. `node` owns the counter; `period_ms` for cyclic ones."""

    node: str
    can_id: int
    extended: bool
    data: bytes
    counter_bits: tuple[int, ...] = ()
    period_ms: float = 0.0


@dataclass(frozen=True, slots=True)
class OffData:
    """Everything for one boat on one link. `words`: circuit -> (control, most presses), best first;
    circuits in the order in which to switch them off."""

    adapter: str
    circuits: Mapping[str, Reading]
    press: Mapping[str, Template]
    release: Mapping[str, Template]
    words: Mapping[str, tuple[tuple[str, int], ...]]
    cyclic: tuple[Template, ...]
    tap_ms: float
    respond_ms: float
    read_back_ms: float
    comes_on_later: tuple[str, ...] = ()
    supply: tuple[str, str] | None = None  # port and dialect of the supply that feeds the boxes
    _by_id: dict[tuple[int, bool], list[tuple[str, Reading]]] = field(
        default_factory=dict, repr=False, compare=False
    )

    def read(self, can_id: int, extended: bool, payload: bytes) -> list[tuple[str, bool | None]]:
        """The circuits a frame reports: on, off, or None for unknown."""
        found = self._by_id.get((can_id, extended))
        if found is None:
            found = self._by_id[can_id, extended] = [
                (name, r)
                for name, r in self.circuits.items()
                if r.where.extended == extended and (can_id ^ r.where.can_id) & r.where.mask == 0
            ]
        return [
            (name, r.of(payload))
            for name, r in found
            if all(get_bits(payload, bits) == value for bits, value in r.where.selectors)
        ]

    def to_json(self) -> str:
        """The text of `safe_off.json`."""
        plain = {
            "version": VERSION, "adapter": self.adapter, "tap_ms": self.tap_ms, "respond_ms": self.respond_ms,
            "read_back_ms": self.read_back_ms, "comes_on_later": list(self.comes_on_later),
            "circuits": {n: asdict(r) for n, r in self.circuits.items()},
            "press": {n: _plain(t) for n, t in self.press.items()},
            "release": {n: _plain(t) for n, t in self.release.items()},
            "cyclic": [_plain(t) for t in self.cyclic],
            "words": {n: [list(w) for w in words] for n, words in self.words.items()},
        }  # fmt: skip
        if self.supply is not None:
            plain["supply"] = list(self.supply)
        return json.dumps(plain, indent=1) + "\n"

    @classmethod
    def from_json(cls, text: str) -> OffData:
        """The inverse. Raises ValueError for another version, KeyError for a damaged file."""
        plain = json.loads(text)
        if plain["version"] != VERSION:
            raise ValueError(f"safe_off.json has version {plain['version']}, expected {VERSION}")
        return cls(
            adapter=plain["adapter"], tap_ms=plain["tap_ms"], respond_ms=plain["respond_ms"],
            read_back_ms=plain["read_back_ms"], comes_on_later=tuple(plain["comes_on_later"]),
            circuits={n: _reading(r) for n, r in plain["circuits"].items()},
            press={n: _template(t) for n, t in plain["press"].items()},
            release={n: _template(t) for n, t in plain["release"].items()},
            cyclic=tuple(_template(t) for t in plain["cyclic"]),
            words={n: tuple((c, m) for c, m in words) for n, words in plain["words"].items()},
            supply=(plain["supply"][0], plain["supply"][1]) if "supply" in plain else None,
        )  # fmt: skip


class CounterBook:
    """Which counter each node used last and which keys are held, from what was sent. `by_hand`: circuits
    that a person may have by hand, perhaps with a hand still in the box."""

    def __init__(self, data: OffData) -> None:
        self.held: set[str] = set()
        self.by_hand: set[str] = set()
        self._last: dict[str, int] = {}
        self._patterns: dict[tuple[int, bool], list[tuple[int, ...]]] = {}
        self._known: dict[tuple[int, bool, bytes], tuple[Template, str, bool]] = {}
        for table, down in ((data.press, True), (data.release, False)):
            for control, template in table.items():
                self._learn(template, control, down)
        for template in data.cyclic:
            self._learn(template, "", False)

    def _learn(self, template: Template, control: str, down: bool) -> None:
        patterns = self._patterns.setdefault((template.can_id, template.extended), [])
        if template.counter_bits not in patterns:
            patterns.append(template.counter_bits)
        blank = put_bits(template.data, template.counter_bits, 0)
        self._known[template.can_id, template.extended, blank] = template, control, down

    def note(self, can_id: int, extended: bool, payload: bytes) -> None:
        """A frame was, or is about to be, sent."""
        for bits in self._patterns.get((can_id, extended), ()):
            if any(bit >> 3 >= len(payload) for bit in bits):
                continue
            found = self._known.get((can_id, extended, put_bits(payload, bits, 0)))
            if found is None or found[0].counter_bits != bits:
                continue
            template, control, down = found
            if bits:
                self._last[self._owner(template)] = get_bits(payload, bits)
            if control and down:
                self.held.add(control)
            elif control:
                self.held.discard(control)

    def last(self, node: str, can_id: int) -> int | None:
        """The counter that a node's message bore last; None where none was sent."""
        return self._last.get(f"{node}/{can_id:X}")

    def stamp(self, template: Template) -> bytes:
        """The frame's data with the node's next counter, noted as sent."""
        if not template.counter_bits:
            return template.data
        owner = self._owner(template)
        value = (self._last.get(owner, -1) + 1) % (1 << len(template.counter_bits))
        self._last[owner] = value
        return put_bits(template.data, template.counter_bits, value)

    @staticmethod
    def _owner(template: Template) -> str:
        return f"{template.node}/{template.can_id:X}"


def get_bits(payload: bytes, bits: Iterable[int]) -> int:
    """The raw number at `bits`; -1 when the frame is too short to hold it."""
    value = 0
    for bit in bits:
        if bit >> 3 >= len(payload):
            return -1
        value = value << 1 | payload[bit >> 3] >> (bit & 7) & 1
    return value


def put_bits(payload: bytes, bits: tuple[int, ...], value: int) -> bytes:
    """A copy with `value` written at `bits`."""
    out = bytearray(payload)
    for place, bit in enumerate(bits):
        if value >> (len(bits) - 1 - place) & 1:
            out[bit >> 3] |= 1 << (bit & 7)
        else:
            out[bit >> 3] &= ~(1 << (bit & 7)) & 0xFF
    return bytes(out)


def _plain(template: Template) -> dict[str, Any]:
    return {**asdict(template), "data": template.data.hex()}


def _template(plain: dict[str, Any]) -> Template:
    return Template(
        plain["node"], plain["can_id"], plain["extended"], bytes.fromhex(plain["data"]),
        tuple(plain["counter_bits"]), plain["period_ms"],
    )  # fmt: skip


def _reading(plain: dict[str, Any]) -> Reading:
    where = plain["where"]
    place = Field(
        where["can_id"], where["extended"], tuple(where["bits"]), where["mask"],
        tuple((tuple(bits), value) for bits, value in where["selectors"]),
    )  # fmt: skip
    return Reading(
        place, tuple(plain["on"]), tuple(plain["off"]), plain["any_other_on"], tuple(plain["unknown"])
    )
