"""An invented boat in words of its own, of which two small writers make a spec and tables.

Nothing here, and nothing in the writers, asks how a box behaves.
"""

from __future__ import annotations

from dataclasses import dataclass, field

MOST_PER_BOX = 48
MOST_INPUTS = 8


@dataclass(frozen=True, slots=True)
class Dimmer:
    """`keeps`: no | awake (until the supply is lost) | always; `scene_counts`: so is a scene's level."""

    low_pct: float
    hold_ms: int
    sweep_s: float
    keeps: str
    scene_counts: bool
    turns_about: bool
    stops: bool


@dataclass(slots=True)
class Channel:
    """A load by its number, which runs on through the boxes. `clears`: what does so with its fuse, if any."""

    number: int
    load: str
    amps: float
    dimmer: Dimmer | None = None
    off_s: float = 0.0
    off_within_s: float = 0.0
    clears: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Deed:
    """What a key does. `kind`: toggle held cycle group scene on off. `word`: the option of its kind;
    `restarts`, `restart_s`: of a counted cycle."""

    number: int
    kind: str
    channels: tuple[int, ...] = ()
    rows: tuple[tuple[int, ...], ...] = ()
    levels: tuple[tuple[int, int], ...] = ()
    word: str = ""
    dims: bool = False
    restarts: tuple[str, ...] = ()
    restart_s: float = 0.0

    @property
    def touches(self) -> tuple[int, ...]:
        """Its channels."""
        every = (*self.channels, *(c for row in self.rows for c in row), *(c for c, _ in self.levels))
        return tuple(dict.fromkeys(every))


@dataclass(frozen=True, slots=True)
class Key:
    """`node`: 0 and 1 panels, 2 and 3 screens. `deed`: 0 for one wired outside. `lamp`: what it shows;
    `watches`: channels in place of the deed's; `tripped`: flashing on off, or nothing."""

    node: int
    number: int
    deed: int
    lamp: str = ""
    watches: tuple[int, ...] = ()
    tripped: str = ""


@dataclass(frozen=True, slots=True)
class Rule:
    """`kind`: force (by the input `sources`), follow, inhibit. `words`: its options in the order of the
    meaning's page."""

    kind: str
    target: int
    sources: tuple[int, ...]
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Box:
    """What holds for all boxes alike."""

    volts: int
    scan_ms: int
    debounce_ms: int
    task_ms: int
    resolves_ms: int
    shortest_ms: int
    wakes_by_message: bool
    stays: bool
    absent_ms: int
    senses_hand: bool
    hand_stores: bool
    trip_goes: bool
    repeats_count: bool
    sheds: tuple[int, ...]
    shed_refuses: bool
    shed_restores: bool

    @property
    def respond_ms(self) -> int:
        """A little more than the box's own steps and the spacing of its frames can take."""
        return self.scan_ms + self.debounce_ms + self.task_ms + self.shortest_ms + 60


@dataclass(slots=True)
class Boat:
    """`wakes`: channel and level. `lights`: node, deed, place, level, else. `losses`: what the boxes do
    without a node."""

    name: str
    box: Box
    channels: list[Channel]
    deeds: list[Deed] = field(default_factory=list)
    keys: list[Key] = field(default_factory=list)
    rules: list[Rule] = field(default_factory=list)
    wakes: list[tuple[int, int]] = field(default_factory=list)
    lights: list[tuple[int, int, int, int, int]] = field(default_factory=list)
    losses: list[tuple[int, str, str, str]] = field(default_factory=list)
    sensor_loss: str = "hold"
    inputs: int = 0

    @property
    def boxes(self) -> int:
        """How many boxes its channels take."""
        return -(-len(self.channels) // MOST_PER_BOX)
