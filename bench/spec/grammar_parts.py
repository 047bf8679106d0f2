"""The keys of boat, boxes, panels, screens, sensors and circuits, each said once: shape, unit, range,
meaning. Loader, JSON Schema and reference page all come from here and from grammar.py.
"""

from __future__ import annotations

from . import model
from .shapes import Name, Number, Text, Word, YesNo, literals
from .tables import Field, ListOf, MapOf, Record

FRAME_KINDS = ("state", "level", "current", "fault", "lamp", "backlight", "supply", "alive", "identity")
LOADS = ("led", "lamp", "motor", "relay", "resistive", "electronic")
LIGHTS = ("masthead", "sidelights", "stern", "allround", "towing", "pilot", "deck")
MEANS = ("fuse_seat", "switch", "link")

PCT = Number("percent", lo=0, hi=100)
MS = Number("ms", lo=0, hi=600_000)
MS_ABOVE = Number("ms", above=0, hi=600_000)
SECONDS = Number("s", lo=0, hi=86_400)
SECONDS_ABOVE = Number("s", above=0, hi=86_400)
AMPERE = Number("A", above=0, hi=1_000)
VOLT = Number("V", above=0, hi=60)
CIRCUIT = Name("circuit")
CIRCUITS = ListOf(CIRCUIT, least=1, empty="this names no circuit")
CIRCUITS_OR_ONE = ListOf(CIRCUIT, least=1, one_alone=True, empty="this names no circuit")


def word(cls: type, name: str) -> Word:
    """The words that a field of the model allows."""
    return Word(literals(cls, name))


BOAT = Record(
    "boat",
    model.Boat,
    Field("name", Text(), "What the boat is called."),
    Field("about", Text(), "What kind of boat it is, in a few words."),
    Field(
        "length_m", Number("m", above=0, hi=400), "Length overall; `check` judges navigation lights by it."
    ),
    Field("propulsion", word(model.Boat, "propulsion"), "For the rules on navigation lights."),
    Field("max_speed_kn", Number("knots", above=0, hi=100), "Greatest speed; matters for boats under 7 m."),
    about="The boat itself.",
)

TIMING = Record(
    "timing_ms",
    model.Timing,
    Field("scan", MS, "Time between two looks at the inputs, in ms."),
    Field("debounce", MS, "How long an input must be steady before it counts, in ms."),
    Field("task", MS, "Period of the task that works out the outputs, in ms."),
    about="Worst-case steps between a control's event and its effect inside the box.",
)

FRAME_TIMING = Record(
    "frame timing",
    model.FrameTiming,
    Field("on_change", MS, "Sent at once on change, with at least this spacing in ms.", attr="on_change_ms"),
    Field("cycle", MS_ABOVE, "Sent again and again with this period in ms.", attr="cycle_ms"),
    some_of=("on_change", "cycle"),
    about="When the box sends this kind of frame.",
)

WAKE = Record(
    "wake",
    model.Wake,
    Field(
        "by",
        Word(("supply", "message")),
        "What wakes the box: its supply, or the wake message of the binding.",
    ),
    Field("within_s", SECONDS_ABOVE, "Time from that to being usable; shown up to `respond_ms` later."),
    Field(
        "others",
        word(model.Wake, "others"),
        "What circuits without a wake rule do: stay off, or come back as they were.",
    ),
    Field("not_available_ms", MS, 'States may be reported "not available" this long after wake-up.'),
    about="How the box comes up.",
)

BY_HAND = Record(
    "by_hand",
    model.ByHand,
    Field("means", Word(MEANS), "How a circuit is worked at the box without control."),
    Field("sensed", word(model.ByHand, "sensed"), "Whether the box knows of it."),
    Field("presses", word(model.ByHand, "presses"), "What presses do to the circuit meanwhile."),
    about="Working a circuit by hand.",
)

SUPPLY = Record(
    "supply",
    model.SupplyLimits,
    Field("low_v", VOLT, "Below this the supply is low."),
    Field("low_for_s", SECONDS, "It must be low for this long."),
    Field("sheds", ListOf(CIRCUIT), "Circuits of this box that are then switched off."),
    Field(
        "presses",
        word(model.SupplyLimits, "presses"),
        "What becomes of on presses for shed circuits meanwhile.",
    ),
    Field("ends_v", VOLT, "Above this the supply is good again."),
    Field("ends_for_s", SECONDS, "It must be good for this long."),
    Field("restores", YesNo(), "Whether shed circuits then come back on."),
    about="What the box does when its supply is low. Left out: nothing is agreed.",
)

ACCURACY = Record(
    "current",
    model.Accuracy,
    Field("gain_pct", PCT, "Error in percent of the true current."),
    Field("offset_a", Number("A", lo=0, hi=100), "Error in ampere, on top."),
    about="How well the box reports a current. Left out: its currents are not judged.",
)

BOX = Record(
    "a box",
    model.Box,
    Field("definitions", Text(), "DBC file of its messages, beside the spec or among the shipped ones."),
    Field("binding", Text(), "File that says which signal is which channel, key or lamp."),
    Field("supply_v", VOLT, "Nominal supply voltage."),
    Field("respond_ms", MS_ABOVE, "Longest time from a control to the reported state."),
    Field("settle_ms", MS_ABOVE, "Longest time from a control to steady current."),
    Field("resolves_ms", MS_ABOVE, "Presses closer than this have no defined order."),
    Field("timing_ms", TIMING, TIMING.about),
    Field("frames_ms", MapOf(Word(FRAME_KINDS), FRAME_TIMING, least=1), "When each kind of frame is sent."),
    Field("level_step_pct", Number("percent", above=0, hi=50), "Step in which levels are reported."),
    Field("wake", WAKE, WAKE.about),
    Field("by_hand", BY_HAND, BY_HAND.about),
    Field("trip_at_wake", word(model.Box, "trip_at_wake"), "What becomes of a trip when the box wakes."),
    Field("current", ACCURACY, ACCURACY.about),
    Field("supply", SUPPLY, SUPPLY.about),
    Field("shortest_press_ms", MS, "Presses shorter than this may be lost."),
    Field("repeated_counter", word(model.Box, "repeated_counter"), "What a repeated event counter means."),
    build=False,
    about="A switching unit under test.",
)

_LOST_AFTER = Field("after_ms", MS_ABOVE, "Silence after which it counts as lost.")
LOST_NODE = Record(
    "lost",
    model.Lost,
    _LOST_AFTER,
    Field(
        "momentary",
        word(model.Lost, "momentary"),
        "Circuits held by a momentary key.",
        needed="when one of its keys is momentary",
    ),
    Field("dim", word(model.Lost, "dim"), "A ramp under way.", needed="when one of its keys dims"),
    Field("others", word(model.Lost, "others"), "All other circuits of its keys.", needed="yes"),
    build=False,
    about="What the box does when it has heard nothing from it for a while. Left out: nothing is agreed.",
)
LOST_SENSOR = Record(
    "lost",
    model.Lost,
    _LOST_AFTER,
    Field("sensor", word(model.Lost, "sensor"), "Taken as its last value, at rest, or active.", needed="yes"),
    about="What the box does when it has heard nothing from it for a while. Left out: nothing is agreed.",
)

BOX_NAME = Field("box", Name("box"), "The box it belongs to.", needed="when there are several boxes")
PANEL = Record(
    "a panel",
    model.ControlNode,
    BOX_NAME,
    Field("lost", LOST_NODE, LOST_NODE.about),
    build=False,
    about="A keypad.",
)
SCREEN = Record(
    "a screen",
    model.ControlNode,
    BOX_NAME,
    Field("lost", LOST_NODE, LOST_NODE.about),
    build=False,
    about="A screen with keys.",
)
SENSOR = Record(
    "a sensor",
    model.Sensor,
    BOX_NAME,
    Field("input", Number(lo=1, hi=255, whole=True), "Its input's number."),
    Field("lost", LOST_SENSOR, LOST_SENSOR.about),
    build=False,
    about="A sensor input.",
)

WIRE = Record(
    "wire",
    model.Wire,
    Field("one_way_m", Number("m", above=0, hi=500), "Length from box to load, one way."),
    Field("awg", Number(lo=-3, hi=30, whole=True), "Gauge; 0 is 1/0, -1 is 2/0, -2 is 3/0, -3 is 4/0."),
    Field("mm2", Number("mm2", above=0, hi=300), "Cross-section, in place of the gauge."),
    one_of=("awg", "mm2"),
    about="The wire to the load; `check` looks at its fuse and voltage drop.",
)

DIM = Record(
    "dim",
    model.Dim,
    Field("min_pct", Number("percent", above=0, hi=99), "Lowest level that dimming reaches."),
    Field("hold_ms", MS_ABOVE, "A press this long begins to dim."),
    Field("range_s", SECONDS_ABOVE, "Time from 100 % to `min_pct`."),
    Field("range_tol_pct", PCT, "Tolerance of that time."),
    Field("memory", word(model.Dim, "memory"), "Whether switching on returns to the last level."),
    Field(
        "memory_by_scene",
        word(model.Dim, "memory_by_scene"),
        "Whether a scene's level is remembered.",
        needed="when `memory` is not `none` and a scene sets the circuit",
    ),
    Field(
        "direction", word(model.Dim, "direction"), "Each hold starts downward, or each goes the other way."
    ),
    Field("at_end", word(model.Dim, "at_end"), "What a hold does at the ends of the range."),
    Field("law", word(model.Dim, "law"), "How the level moves in time."),
    about="The circuit dims while its plain toggle is held.",
)

TRIP = Record(
    "trip",
    model.Trip,
    Field("at_a", AMPERE, "Current at which the electronic fuse opens."),
    Field(
        "reset",
        ListOf(
            word(model.Trip, "reset"), least=1, one_alone=True, as_set=True, empty="nothing clears the trip"
        ),
        "What clears the latch; `wake` only with `trip_at_wake: cleared`.",
    ),
    about="Electronic fuse with a latch.",
)

AUTO_OFF = Record(
    "auto_off",
    model.AutoOff,
    Field("after_s", SECONDS_ABOVE, "Time after which the circuit goes off by itself."),
    Field("tolerance_s", SECONDS, "Tolerance of that time."),
    about="The circuit goes off by itself.",
)

CIRCUIT_RECORD = Record(
    "a circuit",
    model.Circuit,
    BOX_NAME,
    Field("channel", Number(lo=1, hi=255, whole=True), "Its output's number on the box."),
    Field("load", Word(LOADS), "What hangs on it; `lamp` is a filament."),
    Field("rated_a", AMPERE, "Its steady current at nominal voltage and full level."),
    Field("fuse_a", AMPERE, "Its fuse."),
    Field("tol_pct", PCT, "Tolerance of the current, wire included, in place of the usual one for the load."),
    Field("wire", WIRE, WIRE.about),
    Field(
        "light",
        Word(LIGHTS),
        "Which navigation light it is; `sidelights` means both. `deck` is working light.",
    ),
    Field("dim", DIM, DIM.about),
    Field("trip", TRIP, TRIP.about),
    Field("auto_off", AUTO_OFF, AUTO_OFF.about),
    Field("about", Text(), "A note."),
    build=False,
    about="A named load on a channel.",
)
