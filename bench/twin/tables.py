"""The virtual box's own low-level tables, as frozen rows. `loader.py` reads them from TOML.

Written as a box is configured: numbers of operations and channels, not names of functions and
circuits. Channel numbers run on through all boxes (`BoxRow.first`). The format is described in
docs/twin-tables.md.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

TRIP_CLEARED_BY = (
    "control",
    "group_off",
    "scene_off",
    "cycle_empty",
    "timer",
    "inhibit",
    "shed",
    "wake",
    "supply",
)
OPERATIONS = ("toggle", "while_held", "step", "all", "preset", "off", "on")
LOADS = ("led", "lamp", "motor", "relay", "resistive", "electronic")
FIELD_KINDS = (
    *("state", "level", "current", "fault", "lamp", "backlight", "input", "volts", "total"),
    *("counter", "constant", "boot_reason", "boot_count", "uptime", "firmware", "configuration"),
    *("serial", "ack_source", "ack_node", "ack_key", "ack_counter"),
)
HEARD_KINDS = ("key", "keys", "alive", "inputs", "wake")


@dataclass(frozen=True, slots=True)
class Sense:
    """A current sensor's worst errors: reading = true * (1 + gain) + offset + noise, in steps."""

    gain_pct: float = 0.0
    offset_a: float = 0.0
    noise_a: float = 0.0
    step_a: float = 0.05


@dataclass(frozen=True, slots=True)
class Shed:
    """Supply below `below_v` for `for_ms`: `channels` go off, until above `above_v` for `back_ms`."""

    below_v: float
    for_ms: float
    above_v: float
    back_ms: float
    channels: tuple[int, ...]
    on_presses: str  # refused | allowed
    restore: bool


@dataclass(frozen=True, slots=True)
class BoxRow:
    """One sender of frames with its channels `first` .. `first + channels - 1`."""

    name: str
    first: int
    channels: int
    others: str  # dark | retained
    trip_at_wake: str  # kept | cleared
    hand_sensed: bool
    hand_presses: str  # ignored | stored
    source: int = 0
    volts: float = 12.0
    scan_ms: float = 0.0
    debounce_ms: float = 0.0
    task_ms: float = 0.0
    boot_ms: float = 0.0
    not_available_ms: float = 0.0
    wake_by: str = "supply"  # supply | message
    wake_again: str = "restart"  # what a wake message does to a box that is awake: restart | nothing
    shortest_press_ms: float = 0.0
    repeats: str = "ignored"  # a repeated event counter: ignored | new
    open_below_a: float = 0.0
    firmware: tuple[int, int] = (0, 0)
    configuration: int = 0
    serial: int = 0
    sense: Sense = Sense()
    shed: Shed | None = None

    @property
    def numbers(self) -> range:
        """Its channel numbers."""
        return range(self.first, self.first + self.channels)


@dataclass(frozen=True, slots=True)
class DimRow:
    min_pct: float
    hold_ms: float
    sweep_ms: float  # from 100 % to min_pct
    memory: str  # none | kept | through_loss
    scene_sets_memory: bool
    turn: str  # down | alternate
    at_end: str  # turn | stop


@dataclass(frozen=True, slots=True)
class TripRow:
    at_a: float
    cleared_by: frozenset[str]


@dataclass(frozen=True, slots=True)
class ChannelRow:
    """A channel with the load at the far end of its wire (wire resistance out and back, in ohm)."""

    number: int
    load: str = "resistive"
    amps: float = 1.0
    fuse_a: float = 0.0
    wire_ohm: float = 0.0
    dim: DimRow | None = None
    trip: TripRow | None = None
    off_after_ms: float = 0.0


@dataclass(frozen=True, slots=True)
class OperationRow:
    """What a press does; several keys may name the same operation and then share its state."""

    number: int
    code: str  # OPERATIONS
    channels: tuple[int, ...] = ()
    rows: tuple[tuple[int, ...], ...] = ()  # step: channels on in each position
    place: str = ""  # step: seen | counted
    restart_on: frozenset[str] = frozenset()  # counted: wake, member
    restart_after_ms: float = 0.0
    part_on: str = ""  # all: off | on
    dims: bool = False  # all: holding dims its members
    levels: Mapping[int, float] = field(default_factory=dict)  # preset: channel -> percent
    again: str = ""  # preset: off | again
    members: tuple[int, ...] = field(init=False)  # every channel it may write, each once

    def __post_init__(self) -> None:
        rows = (c for row in self.rows for c in row)
        object.__setattr__(self, "members", tuple(dict.fromkeys((*self.channels, *rows, *self.levels))))


@dataclass(frozen=True, slots=True)
class LampRow:
    shows: str  # any | all | active | place
    channels: tuple[int, ...] = ()  # instead of the operation's
    tripped: str = ""  # flash | on | off | "" nothing special


@dataclass(frozen=True, slots=True)
class KeyRow:
    node: str
    key: int
    operation: int
    lamp: LampRow | None = None
    lamp_operation: int = 0  # 0: the key's own operation


@dataclass(frozen=True, slots=True)
class NodeRow:
    """A panel or screen. `lost_ms` 0: never taken as lost."""

    name: str
    kind: str  # panel | screen
    number: int
    address: int = 0
    lost_ms: float = 0.0
    held: str = "hold"  # release | hold
    dim: str = "freeze"  # freeze | continue
    others: str = "hold"  # hold | off


@dataclass(frozen=True, slots=True)
class InputRow:
    """A sensor input; `source` is a sensor module's address, or 0 for a pin of the box."""

    number: int
    box: str
    source: int = 0
    lost_ms: float = 0.0
    on_lost: str = "hold"  # hold | rest | active


def node_name(row: NodeRow | InputRow) -> str:
    """As one that can be lost: `panel helm`, `input 1`."""
    return row.name if isinstance(row, NodeRow) else f"input {row.number}"


@dataclass(frozen=True, slots=True)
class ForceRow:
    channel: int
    input: int
    presses: str  # ignored | stored
    over_inhibit: str  # passes | yields


@dataclass(frozen=True, slots=True)
class FollowRow:
    channel: int
    sources: tuple[int, ...]
    at_end: str  # keep | drop
    sees: str  # output | command


@dataclass(frozen=True, slots=True)
class InhibitRow:
    channel: int
    sources: tuple[int, ...]
    sees: str  # output | command


@dataclass(frozen=True, slots=True)
class WakeRow:
    channels: tuple[int, ...]
    percent: float


@dataclass(frozen=True, slots=True)
class BacklightRow:
    """`percent` while any of `when` holds (operation -> places from 1; others: 1 = on), else `otherwise`."""

    node: str
    percent: float
    otherwise: float
    when: Mapping[int, tuple[int, ...]]


@dataclass(frozen=True, slots=True)
class FieldRow:
    """Bits of a frame. `subject` first..last fill following places `step` bits apart.

    `bit` is the lowest bit when little, the highest when big (bit 0 = lowest of byte 0).
    raw = round((value - offset) / per_count), or `codes[value]` where given.
    """

    kind: str
    first: int = 0
    last: int = 0
    bit: int = 0
    width: int = 8
    step: int = 0
    big: bool = False
    per_count: float = 1.0
    offset: float = 0.0
    codes: tuple[int, ...] = ()
    node: str = ""
    value: int = 0
    absent: int | None = None  # raw of "not available"; None: all ones


@dataclass(frozen=True, slots=True)
class FrameRow:
    """A frame a box sends: cyclic, on change with a minimum spacing, at boot, or as acknowledgement."""

    name: str
    box: str
    id: int
    size: int
    fields: tuple[FieldRow, ...]
    standard: bool = False
    cycle_ms: float = 0.0
    on_change_ms: float = 0.0
    when: str = ""  # boot | ack
    fill: int = 1


@dataclass(frozen=True, slots=True)
class HeardRow:
    """A frame the boxes listen to: `id` under `mask`; places are (bit, width), little-endian or big."""

    kind: str
    id: int
    mask: int
    size: int
    places: Mapping[str, tuple[int, int]]
    node: str = ""
    source: int = 0
    big: bool = False
    standard: bool = False
    codes: Mapping[str, Mapping[int, int]] = field(default_factory=dict)
    first_key: int = 0  # keys: one bit each, from this key on
    key_bits: tuple[int, ...] = ()
    down: int = 1  # keys: the bit of a key that is down


@dataclass(frozen=True)
class Tables:
    """All tables of one boat."""

    name: str
    boxes: tuple[BoxRow, ...]
    channels: tuple[ChannelRow, ...]
    operations: tuple[OperationRow, ...] = ()
    nodes: tuple[NodeRow, ...] = ()
    keys: tuple[KeyRow, ...] = ()
    inputs: tuple[InputRow, ...] = ()
    forces: tuple[ForceRow, ...] = ()
    follows: tuple[FollowRow, ...] = ()
    inhibits: tuple[InhibitRow, ...] = ()
    wakes: tuple[WakeRow, ...] = ()
    backlights: tuple[BacklightRow, ...] = ()
    frames: tuple[FrameRow, ...] = ()
    heard: tuple[HeardRow, ...] = ()
    path: str = ""

    @cached_property
    def channel(self) -> Mapping[int, ChannelRow]:
        """Rows by channel number."""
        return {c.number: c for c in self.channels}

    @cached_property
    def operation(self) -> Mapping[int, OperationRow]:
        """Rows by operation number."""
        return {o.number: o for o in self.operations}

    @property
    def talkers(self) -> tuple[NodeRow | InputRow, ...]:
        """Rows of what can be lost."""
        return (*self.nodes, *self.inputs)

    def box_of(self, channel: int) -> BoxRow:
        """The box that has `channel`. Raises KeyError."""
        for box in self.boxes:
            if channel in box.numbers:
                return box
        raise KeyError(channel)

    def number(self, box: str, channel: int) -> int:
        """The running number of a box's own channel (both count from 1). Raises KeyError."""
        for row in self.boxes:
            if row.name == box:
                return row.first + channel - 1
        raise KeyError(box)
