"""The keys of scenarios: what is done, and what must then be seen. Loader, JSON Schema and reference page
all come from here."""

from __future__ import annotations

from . import model
from .grammar_parts import CIRCUIT, PCT, word
from .nodes import Node
from .reading import BAD, Reading
from .shapes import Json, Key, Name, Number, Read
from .tables import Field, MapOf, Record, Tagged, WordOr

NAME = r"[A-Za-z][A-Za-z0-9_-]{0,63}"
WAIT = Number("s", above=0, hi=600)

LEVELS = Record(
    "levels",
    model.Shown,
    Field("from_pct", PCT, "Its lowest level.", needed="yes"),
    Field("to_pct", PCT, "Its highest level.", needed="yes"),
    build=False,
    about="Two levels between which it is.",
)


class Expected(WordOr):
    """`on`, `off`, a level, or two levels between which it is."""

    def read(self, node: Node, at: str, reading: Reading) -> Read:
        if node.kind == "map":
            values = self.record.read(node, at, reading)
            if values is BAD or BAD in list(values.values()) or len(values) < 2:
                return BAD
            return model.Shown("level", **values)
        if node.kind == "scalar" and node.value in self.word.choices:
            return model.Shown(node.value)
        if node.kind == "scalar" and node.plain and node.value[:1].isdigit():
            level: Read = PCT.read(node, at, reading)
            return BAD if level is BAD else model.Shown("level", level, level)
        return super().read(node, at, reading)

    def _due(self) -> str:
        return "on, off, a level from 0 to 100 in percent, or a table of from_pct and to_pct"

    def json(self) -> Json:
        return {"anyOf": [self.word.json(), PCT.json(), self.record.json()]}

    def words(self) -> str:
        return f"{self.word.words()}, {PCT.words()}, or {self.record.title}"


_CONTROL = Key(
    rf"(panel|screen) {NAME} [1-9][0-9]{{0,2}}", "a key by panel or screen and number: panel NAME NUMBER"
)


def _step(*fields: Field, about: str) -> Record:
    return Record("a step", model.ScenarioStep, *fields, build=False, about=about)


STEP = Tagged(
    "a step",
    {
        "press": _step(
            Field("press", _CONTROL, "The key.", attr="control", needed="yes"),
            about="A short press of a key.",
        ),
        "hold": _step(
            Field("hold", _CONTROL, "The key.", attr="control", needed="yes"),
            about="A key goes down and stays down until `release`, or the end.",
        ),
        "release": _step(
            Field("release", _CONTROL, "The key.", attr="control", needed="yes"),
            about="A held key is let go.",
        ),
        "sensor": _step(
            Field("sensor", Name("sensor"), "The sensor.", needed="yes"),
            Field("now", word(model.ScenarioStep, "now"), "What it says from now on.", needed="yes"),
            about="A sensor changes; at the end it is put at rest.",
        ),
        "wait_s": _step(
            Field(
                "wait_s",
                WAIT,
                "How long, counted from what was done last. Without it: long enough to see what that did.",
                needed="yes",
            ),
            about="Nothing is done for a while.",
        ),
        "wake": _step(
            Field(
                "wake",
                word(model.ScenarioStep, "by"),
                "All boxes lose their supply and get it back, or those that wake by message are sent it.",
                attr="by",
                needed="yes",
            ),
            about="The boxes wake up anew; `supply` needs a bench that switches it.",
        ),
        "expect": _step(
            Field(
                "expect",
                MapOf(
                    CIRCUIT,
                    Expected(("on", "off"), LEVELS),
                    least=1,
                    empty="this names no circuit",
                    twice='circuit "{key}" stands twice in expect',
                ),
                "What each of these circuits shows now; `on` at whatever level. It must follow from the rest "
                "of the spec.",
                attr="shown",
                needed="yes",
            ),
            about="What must be seen now.",
        ),
    },
)
