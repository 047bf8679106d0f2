"""The expected-behaviour spec as typed, frozen data. The loader fills it; everything else reads it.

Where boxes differ a field has no default: the loader demands it whenever the behaviour is used.
Field names are the spec's keys. Levels are in percent of full output.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal


@dataclass(frozen=True, slots=True)
class Boat:
    name: str
    about: str = ""
    length_m: float | None = None
    propulsion: Literal["power", "sail"] | None = None
    max_speed_kn: float | None = None


@dataclass(frozen=True, slots=True)
class Timing:
    """Worst-case steps between a control's event and its effect inside the box."""

    scan: float
    debounce: float
    task: float


@dataclass(frozen=True, slots=True)
class FrameTiming:
    """When the box sends a kind of frame: at once on change with this minimum spacing, and/or cyclic."""

    on_change_ms: float | None = None
    cycle_ms: float | None = None


@dataclass(frozen=True, slots=True)
class Wake:
    by: str  # "supply" or "message"
    within_s: float
    others: Literal["dark", "retained"]
    not_available_ms: float = 0.0  # states may be reported "not available" this long after wake


@dataclass(frozen=True, slots=True)
class ByHand:
    means: str
    sensed: Literal["flag", "none"]
    presses: Literal["ignored", "stored"]


@dataclass(frozen=True, slots=True)
class SupplyLimits:
    low_v: float
    low_for_s: float
    sheds: tuple[str, ...]
    presses: Literal["refused", "allowed"]  # on presses of shed circuits meanwhile
    ends_v: float
    ends_for_s: float
    restores: bool


@dataclass(frozen=True, slots=True)
class Accuracy:
    """How well the box reports a current: |reported - true| <= gain_pct of it + offset_a."""

    gain_pct: float
    offset_a: float


@dataclass(frozen=True, slots=True)
class Box:
    name: str
    definitions: str
    binding: str
    supply_v: float
    respond_ms: float
    settle_ms: float
    resolves_ms: float
    timing_ms: Timing
    frames_ms: Mapping[str, FrameTiming]  # state level current fault lamp backlight supply alive identity
    level_step_pct: float
    wake: Wake
    by_hand: ByHand
    trip_at_wake: Literal["kept", "cleared"]
    current: Accuracy | None = None
    supply: SupplyLimits | None = None
    shortest_press_ms: float = 0.0
    repeated_counter: Literal["ignored", "new_event"] = "ignored"


@dataclass(frozen=True, slots=True)
class Lost:
    """What a box does when it has heard nothing from a panel, screen or sensor for `after_ms`."""

    after_ms: float
    momentary: Literal["release", "hold"] = "hold"
    dim: Literal["freeze", "continue"] = "freeze"
    others: Literal["hold", "off"] = "hold"
    sensor: Literal["hold", "rest", "active"] = "hold"


@dataclass(frozen=True, slots=True)
class ControlNode:
    """A panel or a screen: something that carries keys."""

    kind: Literal["panel", "screen"]
    name: str
    box: str
    lost: Lost | None = None


@dataclass(frozen=True, slots=True)
class Sensor:
    name: str
    box: str
    input: int
    lost: Lost | None = None


@dataclass(frozen=True, slots=True)
class Dim:
    min_pct: float
    hold_ms: float
    range_s: float  # from 100 % to min_pct
    range_tol_pct: float
    memory: Literal["none", "kept", "kept_through_supply_loss"]
    memory_by_scene: Literal["kept", "changed"] | None  # required when memory is not none and a scene sets it
    direction: Literal["down", "alternate"]
    at_end: Literal["turn", "stop"]
    law: Literal["linear"] = "linear"


@dataclass(frozen=True, slots=True)
class Trip:
    """Electronic fuse. `reset`: which events clear the latch (wake only with trip_at_wake: cleared)."""

    at_a: float
    reset: frozenset[
        Literal[
            "control", "group_off", "scene_off", "cycle_empty", "timer", "inhibit", "shed", "wake", "supply"
        ]
    ]


@dataclass(frozen=True, slots=True)
class AutoOff:
    after_s: float
    tolerance_s: float


@dataclass(frozen=True, slots=True)
class Wire:
    one_way_m: float
    awg: int | None = None
    mm2: float | None = None


@dataclass(frozen=True, slots=True)
class Circuit:
    name: str
    box: str
    channel: int
    load: str  # led | lamp | motor | relay | resistive | electronic
    rated_a: float
    fuse_a: float | None = None
    tol_pct: float | None = None  # of the load's current; None: the load kind's
    wire: Wire | None = None
    light: str | None = None  # masthead | sidelights | stern | allround | towing | deck ...
    dim: Dim | None = None
    trip: Trip | None = None
    auto_off: AutoOff | None = None
    about: str = ""


@dataclass(frozen=True, slots=True)
class CounterReset:
    """When a counted position goes back to the last (usually empty) one."""

    on: frozenset[Literal["wake", "any_member_changed"]]
    after_s: float | None = None


@dataclass(frozen=True)
class Function:
    """What a control does. Exactly the fields of its kind are filled.

    toggle, momentary: `members` has one circuit. cycle: `positions`, `position`, `reset`.
    group: `members`, `part_on`, `dim_together`. scene: `presets`, `again`. on / off: `members`.
    """

    name: str
    kind: Literal["toggle", "momentary", "cycle", "group", "scene", "on", "off"]
    members: tuple[str, ...] = ()
    positions: tuple[tuple[str, ...], ...] = ()
    position: Literal["derived", "counter"] | None = None
    reset: CounterReset | None = None
    part_on: Literal["all_off", "all_on"] | None = None
    dim_together: bool = False
    presets: Mapping[str, float] = field(default_factory=dict)
    again: Literal["off", "reapply"] | None = None
    implied: bool = False  # a circuit named where a function is due

    @cached_property
    def circuits(self) -> tuple[str, ...]:
        """Every circuit this function may write, each once, in order of first mention."""
        names = (*self.members, *(c for p in self.positions for c in p), *self.presets)
        return tuple(dict.fromkeys(names))


@dataclass(frozen=True, slots=True)
class Lamp:
    """What a key's indicator shows.

    `shows`: any | all (known outputs of the function's circuits, or of `circuits`), active (scene),
    position (a cycle stands at a position that is not empty). `tripped`: what it shows while any of
    its circuits is tripped; None: nothing special.
    """

    shows: Literal["any", "all", "active", "position"]
    circuits: tuple[str, ...] = ()
    tripped: Literal["flashing", "on", "off"] | None = None


@dataclass(frozen=True, slots=True)
class Control:
    name: str  # "panel helm 1", "screen helm 21"
    node: str  # panel or screen name
    kind: Literal["panel", "screen"]
    key: int
    function: str
    lamp: Lamp | None = None


@dataclass(frozen=True, slots=True)
class Force:
    circuit: str
    sensor: str
    presses: Literal["ignored", "stored"]
    over_inhibit: Literal["passes", "yields"]


@dataclass(frozen=True, slots=True)
class Follow:
    circuit: str
    sources: tuple[str, ...]
    release: Literal["keep", "drop"]
    sees: Literal["output", "command"]


@dataclass(frozen=True, slots=True)
class Inhibit:
    circuit: str
    sources: tuple[str, ...]
    sees: Literal["output", "command"]


@dataclass(frozen=True, slots=True)
class WakeOn:
    circuits: tuple[str, ...]
    level_pct: float


@dataclass(frozen=True, slots=True)
class Backlight:
    """Panel lighting: `level_pct` while any of `when` (function -> positions, counted from 1; for
    other functions position 1 means on/active) holds, else `else_pct`."""

    panel: str
    when: Mapping[str, tuple[int, ...]]
    level_pct: float
    else_pct: float = 0.0


@dataclass(frozen=True, slots=True)
class Shown:
    """What an output is expected to show: `on` at any level, `off`, or a level between two."""

    word: Literal["on", "off", "level"]
    from_pct: float = 0.0
    to_pct: float = 100.0


@dataclass(frozen=True, slots=True)
class ScenarioStep:
    """One line of a scenario. Exactly the fields of its kind are filled.

    press, hold, release: `control` ("panel helm 1"). sensor: `sensor`, `now`. wait: `wait_s`. wake: `by`.
    expect: `shown`, by circuit.
    """

    kind: Literal["press", "hold", "release", "sensor", "wait_s", "wake", "expect"]
    control: str = ""
    sensor: str = ""
    now: Literal["active", "rest"] | None = None
    wait_s: float = 0.0
    by: Literal["supply", "message"] | None = None
    shown: Mapping[str, Shown] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Spec:
    boat: Boat
    boxes: Mapping[str, Box]
    panels: Mapping[str, ControlNode]
    screens: Mapping[str, ControlNode]
    sensors: Mapping[str, Sensor]
    circuits: Mapping[str, Circuit]
    functions: Mapping[str, Function]  # implied toggles included, under the circuit's name
    controls: Mapping[str, Control]
    outside: tuple[str, ...]  # controls ("panel helm 9") that must have no effect on any channel
    forces: tuple[Force, ...] = ()
    follows: tuple[Follow, ...] = ()
    inhibits: tuple[Inhibit, ...] = ()
    wakes: tuple[WakeOn, ...] = ()
    backlights: tuple[Backlight, ...] = ()
    scenarios: Mapping[str, tuple[ScenarioStep, ...]] = field(default_factory=dict)
    path: str = ""
    source: str = ""  # the text it was loaded from
    places: Mapping[str, tuple[int, int]] = field(
        default_factory=dict
    )  # "circuits.horn.rated_a" -> line, column

    def circuit_at(self, box: str, channel: int) -> Circuit | None:
        """The circuit on a channel; None for an unused channel."""
        return next((c for c in self.circuits.values() if (c.box, c.channel) == (box, channel)), None)
