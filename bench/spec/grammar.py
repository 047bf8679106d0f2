"""The keys of functions, controls and rules, and of the spec as a whole, each said once. Loader, JSON
Schema and reference page all come from here and from grammar_parts.py.
"""

from __future__ import annotations

from . import model
from .grammar_parts import (
    BOAT,
    BOX,
    CIRCUIT,
    CIRCUIT_RECORD,
    CIRCUITS,
    CIRCUITS_OR_ONE,
    PANEL,
    PCT,
    SCREEN,
    SECONDS_ABOVE,
    SENSOR,
    word,
)
from .grammar_scenario import NAME, STEP
from .shapes import Key, Name, Number, Shape, Version, YesNo
from .tables import Field, ListOf, MapOf, Record, Tagged

VERSION = 1

RESET = Record(
    "reset",
    model.CounterReset,
    Field(
        "on",
        ListOf(word(model.CounterReset, "on"), one_alone=True, as_set=True),
        "Wake-up, or a member being changed by another function. `[]`: neither.",
    ),
    Field("after_s", SECONDS_ABOVE, "Also after this long without a press of it."),
    about="When the count starts anew.",
)


def _function(kind: str, shape: Field, *more: Field, about: str) -> Record:
    return Record(f"a {kind} function", model.Function, shape, *more, build=False, about=about)


_PART_ON = Field(
    "part_on",
    word(model.Function, "part_on"),
    "What a press does when only part of the group is on.",
    needed="yes",
)
FUNCTION = Tagged(
    "a function",
    {
        "toggle": _function(
            "toggle",
            Field("toggle", CIRCUIT, "The circuit.", attr="members", needed="yes"),
            about="On, off; dims where the circuit dims. A circuit named in place of a function means this.",
        ),
        "momentary": _function(
            "momentary",
            Field("momentary", CIRCUIT, "The circuit.", attr="members", needed="yes"),
            about="On while the key is held.",
        ),
        "cycle": _function(
            "cycle",
            Field(
                "cycle",
                ListOf(ListOf(CIRCUIT), least=1, empty="the cycle has no position", twice_ok=True),
                "Positions in order: the circuits that are on; `[]`: all off.",
                attr="positions",
                needed="yes",
            ),
            Field(
                "position",
                word(model.Function, "position"),
                "Where it stands: read off the outputs, or its own count.",
                needed="yes",
            ),
            Field("reset", RESET, RESET.about, needed="when `position` is `counter`"),
            about="Each press goes to the next position.",
        ),
        "group": _function(
            "group",
            Field("group", CIRCUITS, "The circuits.", attr="members", needed="yes"),
            _PART_ON,
            Field(
                "dim_together", YesNo(), "Whether holding the key dims them all.", needed="when a member dims"
            ),
            about="One press for several circuits.",
        ),
        "scene": _function(
            "scene",
            Field(
                "scene",
                MapOf(
                    CIRCUIT,
                    PCT,
                    least=1,
                    empty="this names no circuit",
                    twice='circuit "{key}" stands twice in the scene',
                ),
                "Level of each circuit; 0 switches off; circuits not named are left alone.",
                attr="presets",
                needed="yes",
            ),
            Field(
                "again",
                word(model.Function, "again"),
                "What a press does while the scene is active.",
                needed="yes",
            ),
            about="Several circuits at preset levels.",
        ),
        "on": _function(
            "on",
            Field("on", CIRCUITS, "The circuits.", attr="members", needed="yes"),
            about="Only ever switches on.",
        ),
        "off": _function(
            "off",
            Field("off", CIRCUITS, "The circuits.", attr="members", needed="yes"),
            about="Only ever switches off.",
        ),
    },
)

LAMP = Record(
    "a lamp",
    model.Lamp,
    Field(
        "shows",
        word(model.Lamp, "shows"),
        "Lit while any or all of the circuits are on, while the scene is active, or while the cycle "
        "stands at a position that is not empty.",
    ),
    Field("circuits", CIRCUITS_OR_ONE, "The circuits it watches, in place of the function's."),
    Field(
        "tripped",
        word(model.Lamp, "tripped"),
        "What it shows while one of its circuits is tripped. Left out: nothing special.",
    ),
    short="shows",
    about="What the key's indicator shows. Left out: the key has none.",
)
CONTROL = Record(
    "a control",
    model.Control,
    Field("function", Name("function"), "The function, or a circuit for its plain toggle."),
    Field("lamp", LAMP, LAMP.about),
    build=False,
    short="function",
    about="A key of a panel or screen and what it does.",
)

_SEES = "Whether it looks at the source's output, or at what was commanded."


def _rule(kind: str, cls: type, *fields: Field, about: str) -> Record:
    return Record(f"a {kind} rule", cls, *fields, build=False, about=about)


RULE = Tagged(
    "a rule",
    {
        "force": _rule(
            "force",
            model.Force,
            Field("force", CIRCUIT, "The circuit.", attr="circuit"),
            Field("by", Name("sensor"), "The sensor that holds it on.", attr="sensor"),
            Field("presses", word(model.Force, "presses"), "What presses do to the circuit meanwhile."),
            Field(
                "over_inhibit",
                word(model.Force, "over_inhibit"),
                "Which wins while the circuit is also inhibited.",
            ),
            about="A sensor holds a circuit on.",
        ),
        "follow": _rule(
            "follow",
            model.Follow,
            Field("follow", CIRCUIT, "The circuit.", attr="circuit"),
            Field("sources", CIRCUITS_OR_ONE, "It goes on when the first of these goes on."),
            Field("release", word(model.Follow, "release"), "What it does when the last of them goes off."),
            Field("sees", word(model.Follow, "sees"), _SEES),
            about="A circuit goes with others.",
        ),
        "inhibit": _rule(
            "inhibit",
            model.Inhibit,
            Field("inhibit", CIRCUIT, "The circuit.", attr="circuit"),
            Field("by", CIRCUITS_OR_ONE, "It is off and stays off while any of these is on.", attr="sources"),
            Field("sees", word(model.Inhibit, "sees"), _SEES),
            about="A circuit is kept off by others.",
        ),
        "wake": _rule(
            "wake",
            model.WakeOn,
            Field("wake", CIRCUITS_OR_ONE, "The circuits.", attr="circuits"),
            Field("level_pct", PCT, "Their level at wake-up."),
            about="Circuits that are on from wake-up.",
        ),
        "backlight": _rule(
            "backlight",
            model.Backlight,
            Field("backlight", Name("panel"), "The panel.", attr="panel"),
            Field(
                "when",
                MapOf(
                    Name("function"),
                    ListOf(Number(lo=1, hi=255, whole=True), least=1, one_alone=True),
                    least=1,
                ),
                "Functions and their positions, counted from 1; 1 of any other function means on or active.",
            ),
            Field("level_pct", PCT, "Level while any of them holds."),
            Field("else_pct", PCT, "Level otherwise."),
            about="Panel lighting.",
        ),
    },
)

_KEY = Key(r"[1-9][0-9]{0,2}", "a key's number from 1 to 999")
_NODE = Key(rf"(panel|screen) {NAME}", '"panel NAME" or "screen NAME"')
_OUTSIDE = Key(rf"((panel|screen) )?{NAME}", 'a panel\'s name, "panel NAME" or "screen NAME"')
CONTROLS = MapOf(_NODE, MapOf(_KEY, CONTROL, twice="key {key} of {table} is bound twice"))
OUTSIDE = MapOf(_OUTSIDE, ListOf(Number(lo=1, hi=999, whole=True), least=1))


def _named(kind: str, record: Shape, least: int = 0) -> MapOf:
    return MapOf(
        Name(kind),
        record,
        least=least,
        empty=f"there is no {kind}",
        twice=f'the {kind} "{{key}}" stands twice',
    )


SPEC = Record(
    "the spec",
    model.Spec,
    Field("hardstand", Version(VERSION), "Version of this format; the first key.", needed="yes"),
    Field("boat", BOAT, "The boat itself."),
    Field("boxes", _named("box", BOX, 1), "The boxes under test, by name."),
    Field("panels", _named("panel", PANEL), "The keypads, by name.", needed="no"),
    Field("screens", _named("screen", SCREEN), "The screens, by name.", needed="no"),
    Field("sensors", _named("sensor", SENSOR), "The sensor inputs, by name.", needed="no"),
    Field(
        "outside",
        OUTSIDE,
        "Keys wired to something else, by panel; they must have no effect on any channel.",
        needed="no",
    ),
    Field("circuits", _named("circuit", CIRCUIT_RECORD, 1), "The circuits, by name."),
    Field("functions", _named("function", FUNCTION), "The functions, by name.", needed="no"),
    Field("controls", CONTROLS, "What each key does: `panel helm: {1: navigation}`.", needed="no"),
    Field(
        "rules",
        ListOf(RULE, twice_ok=True, keep_bad=True),
        "Rules between circuits, sensors and the box.",
        needed="no",
    ),
    Field(
        "scenarios",
        _named(
            "scenario", ListOf(STEP, least=1, empty="the scenario has no step", twice_ok=True, keep_bad=True)
        ),
        "What the builder wants to see done, step by step, by name; each begins with all off.",
        needed="no",
    ),
    build=False,
)
