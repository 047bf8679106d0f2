"""Defects that a firmware, a wire harness, a sensor or a bus can have; all empty in a healthy box.

Faults fill these in; channels are running numbers, instants are nanoseconds after the start.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Mishap:
    """A press of `operation` goes wrong while each of these outputs is on, or off, as it says, if the
    presses before it, of the operations `among`, were `after`, the latest last: it does nothing, or what it
    should and switches `stray` off as well."""

    operation: int
    outputs: tuple[tuple[int, bool], ...] = ()
    after: tuple[int, ...] = ()
    among: frozenset[int] = frozenset()
    stray: int | None = None


@dataclass
class Quirks:
    """One value per way of being defective."""

    drop_second_ms: float = 0.0  # a press this soon after another key's press is dropped
    late_ms: dict[int, float] = field(default_factory=dict)  # operation -> extra delay of its presses
    slow_task_ms: float = 0.0  # extra delay of everything
    timer_survives: set[int] = field(default_factory=set)  # channels whose timer an off doesn't stop
    restart_at_ms: float = 0.0
    stale_lamps: set[tuple[str, int]] = field(default_factory=set)  # keys whose lamp stays as first shown
    memory_lost: set[int] = field(default_factory=set)
    latches: set[int] = field(default_factory=set)  # while_held operations that ignore the release
    chatter: dict[int, float] = field(default_factory=dict)  # channel -> ms off, 300 ms after going on
    no_hold: set[int] = field(default_factory=set)  # channels that never dim
    lock_deaf: set[int] = field(default_factory=set)  # channels whose by-hand flag is not sensed
    hand_stuck: set[int] = field(default_factory=set)  # channels whose by-hand flag stays
    hand_crossed: dict[int, int] = field(default_factory=dict)  # channel -> channel whose flag is raised
    hand_keeps: set[int] = field(default_factory=set)  # channels that are stored on once worked by hand
    hand_spoils: set[int] = field(default_factory=set)  # channels that no key works after by hand
    hand_flipped: set[int] = field(default_factory=set)  # channels that store presses by hand, or ignore them
    hand_noticed: set[int] = field(default_factory=set)  # channels whose unsensed seat is sensed after all
    dark_lamps: set[tuple[str, int]] = field(default_factory=set)  # keys whose lamp is broken
    dark_panels: set[str] = field(default_factory=set)  # nodes whose lighting is broken
    mute: set[int] = field(default_factory=set)  # channels whose load draws its current and does nothing
    trip_deaf: set[int] = field(default_factory=set)  # channels whose electronic fuse never opens
    trip_forgets: set[int] = field(default_factory=set)  # channels whose latch opens by itself
    wake_zero: set[int] = field(default_factory=set)  # channels that a wake-up does not reset
    crossed: dict[int, int] = field(default_factory=dict)  # channel -> channel whose load it feeds
    open_load: set[int] = field(default_factory=set)
    shorted: set[int] = field(default_factory=set)
    weak: set[int] = field(default_factory=set)  # output stage delivers nothing
    flagged: dict[int, int] = field(default_factory=dict)  # channel -> what it says is wrong while it is on
    pretends: set[int] = field(default_factory=set)  # channels that report a current, and deliver none
    series_ohm: dict[int, float] = field(default_factory=dict)
    gain_pct: dict[int, float] = field(default_factory=dict)
    offset_a: dict[int, float] = field(default_factory=dict)
    sense_crossed: dict[int, int] = field(default_factory=dict)  # channel -> channel whose current it reads
    volts_gain_pct: float = 0.0
    stuck_counter: set[str] = field(default_factory=set)  # names of frames, here and below
    stopped_frames: dict[str, float] = field(default_factory=dict)  # name -> ms after start
    no_on_change: set[str] = field(default_factory=set)
    stale_report_ms: dict[int, float] = field(default_factory=dict)  # channel -> reported this much later
    unavailable: set[tuple[str, int]] = field(default_factory=set)  # (field kind, channel)
    wrong_length: dict[str, int] = field(default_factory=dict)
    lost_share: dict[str, float] = field(default_factory=dict)  # share of a frame's sendings lost
    late_frames_ms: dict[str, float] = field(default_factory=dict)
    repeated_share: float = 0.0
    silent: dict[str, float] = field(default_factory=dict)  # box -> ms after start
    configuration: int | None = None
    mishaps: list[Mishap] = field(default_factory=list)
