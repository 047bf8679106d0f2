"""The shapes of single values in a spec. From one description of keys come three things: the
reading (typed, with complaints), the JSON Schema, and the reference page. Tables are in tables.py.
"""

from __future__ import annotations

import dataclasses
import math
import re
import types
from typing import Any, Literal, Protocol, TypeAlias, Union, get_args, get_origin, get_type_hints

from .nodes import Node
from .reading import Bad, Reading, listed

_NUMBER = re.compile(r"[+-]?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][+-]?[0-9]{1,3})?", re.ASCII)
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,63}", re.ASCII)
_RETYPED = frozenset(
    ["y", "n", "yes", "no", "on", "off", "true", "false", "null"]
)  # YAML 1.1 takes these for its own
Json = dict[str, Any]
Read: TypeAlias = Any  # what a shape reads: its typed value, or BAD after a complaint


class Shape(Protocol):
    """A kind of value."""

    def read(self, node: Node, at: str, reading: Reading) -> Read:
        """The typed value, or BAD after a complaint. `at`: dotted path of the node."""
        ...

    def json(self) -> Json:
        """The same as JSON Schema."""
        ...

    def words(self) -> str:
        """The same in words, for the reference."""
        ...


def literals(cls: type, name: str) -> tuple[str, ...]:
    """The words a field's Literal allows, seen through `| None` and frozenset."""
    found: list[str] = []
    queue: list[Any] = [_hints(cls)[name]]
    while queue:
        hint = queue.pop(0)
        if get_origin(hint) is Literal:
            found += [str(a) for a in get_args(hint)]
        elif get_origin(hint) in (Union, types.UnionType, frozenset, tuple):
            queue += get_args(hint)
    if not found:
        raise TypeError(f"{cls.__name__}.{name} is not made of words")
    return tuple(found)


def _hints(cls: type) -> dict[str, Any]:
    return get_type_hints(cls)


@dataclasses.dataclass(frozen=True)
class Text:
    """Any text on one line, exactly as written."""

    most: int = 200

    def read(self, node: Node, at: str, reading: Reading) -> str | Bad:
        if node.kind != "scalar" or (node.plain and not node.value):
            return reading.at_node(node, f"{node.what} where text is due", "text")
        if len(node.value) > self.most:
            return reading.at_node(node, "the text is too long", f"at most {self.most} characters")
        if not node.value.strip() or not node.value.isprintable():
            return reading.at_node(
                node, "the text holds nothing that can be printed on one line", "text on one line"
            )
        return str(node.value)

    def json(self) -> Json:
        return {"type": "string", "minLength": 1, "maxLength": self.most}

    def words(self) -> str:
        return "text"


@dataclasses.dataclass(frozen=True)
class Name:
    """A name that the author chooses, or that must stand elsewhere in the spec. `of`: what bears it."""

    of: str

    def read(self, node: Node, at: str, reading: Reading) -> str | Bad:
        if node.kind != "scalar" or (node.plain and not node.value):
            return reading.at_node(
                node, f"{node.what} where the name of a {self.of} is due", f"a {self.of}'s name"
            )
        text = str(node.value)
        if text.lower() in _RETYPED:
            advice = "choose another name: many YAML readers take this word for true or false"
            return reading.at_node(node, f'"{text}" cannot name a {self.of}', f"a {self.of}'s name", advice)
        if not _NAME.fullmatch(text):
            return reading.at_node(
                node,
                f"{node.what} cannot name a {self.of}",
                "a letter, then letters, digits, _ or -, at most 64 in all",
            )
        return text

    def json(self) -> Json:
        return {"type": "string", "pattern": f"^{_NAME.pattern}$"}

    def words(self) -> str:
        return f"{self.of}"


@dataclasses.dataclass(frozen=True)
class Word:
    """One of a few words."""

    choices: tuple[str, ...]

    def read(self, node: Node, at: str, reading: Reading) -> str | Bad:
        if node.kind == "scalar" and node.value in self.choices:
            return str(node.value)
        advice = reading.suggest(node.value, self.choices) if node.kind == "scalar" else ""
        return reading.at_node(node, f"{node.what} is not a word known here", listed(self.choices), advice)

    def json(self) -> Json:
        return {"enum": list(self.choices)}

    def words(self) -> str:
        return listed([f"`{c}`" for c in self.choices])


@dataclasses.dataclass(frozen=True)
class YesNo:
    """true or false."""

    def read(self, node: Node, at: str, reading: Reading) -> bool | Bad:
        if node.kind == "scalar" and node.plain and node.value in ("true", "false"):
            return bool(node.value == "true")
        return reading.at_node(node, f"{node.what} is neither true nor false", "true or false")

    def json(self) -> Json:
        return {"type": "boolean"}

    def words(self) -> str:
        return "`true` or `false`"


@dataclasses.dataclass(frozen=True)
class Number:
    """A finite decimal number. `above` excludes its limit; `lo` and `hi` include theirs."""

    unit: str = ""
    lo: float | None = None
    hi: float | None = None
    above: float | None = None
    whole: bool = False

    def read(self, node: Node, at: str, reading: Reading) -> float | int | Bad:
        if node.kind != "scalar" or not _NUMBER.fullmatch(node.value):
            return reading.at_node(node, f"{node.what} is not a number", self._due(), self._advice(node))
        if not node.plain:
            return reading.at_node(
                node, f"{node.what} is text, not a number", self._due(), "take the quotes away"
            )
        value = float(node.value)
        if not math.isfinite(value):
            return reading.at_node(node, f"{node.value} is too large", self._due())
        if self.whole and value != int(value):
            return reading.at_node(node, f"{node.value} is not whole", self._due())
        if not self._within(value):
            return reading.at_node(node, f"{node.value} is out of range", self._due())
        return int(value) if self.whole else value

    def _within(self, value: float) -> bool:
        return not (
            (self.lo is not None and value < self.lo)
            or (self.hi is not None and value > self.hi)
            or (self.above is not None and value <= self.above)
        )

    @staticmethod
    def _advice(node: Node) -> str:
        if node.kind != "scalar":
            return ""
        text = str(node.value)
        if text.lower().strip("+-.") in ("nan", "inf", "infinity"):
            return "only finite numbers can be tested"
        if re.fullmatch(r"[+-]?0[0-9]+(\.[0-9]*)?", text):
            return "write it without leading zeros: YAML readers differ on what they mean"
        if re.fullmatch(r"[0-9]+,[0-9]+", text):
            return "write the decimals behind a point"
        if re.fullmatch(r"[+-]?\.[0-9]+|[+-]?[0-9]+\.", text):
            return "write a digit on both sides of the point"
        if re.fullmatch(r"[0-9]+(:[0-9]+)+", text):
            return "write plain seconds or milliseconds, as the key says"
        return "write the number without its unit" if re.match(r"[0-9]", text) else ""

    def _due(self) -> str:
        noun = "a whole number" if self.whole else "a number"
        return f"{noun}{self._range()}" + (f" in {self.unit}" if self.unit else "")

    def _range(self) -> str:
        low = f" above {self.above:g}" if self.above is not None else ""
        if self.lo is not None and self.hi is not None:
            return f" from {self.lo:g} to {self.hi:g}"
        if self.lo is not None:
            low = f" from {self.lo:g} up"
        if self.hi is None:
            return low
        return f"{low} and at most {self.hi:g}" if low else f" of at most {self.hi:g}"

    def json(self) -> Json:
        out: Json = {"type": "integer" if self.whole else "number"}
        for key, value in (("minimum", self.lo), ("maximum", self.hi), ("exclusiveMinimum", self.above)):
            if value is not None:
                out[key] = value
        return out

    def words(self) -> str:
        return self._due().removeprefix("a ")


@dataclasses.dataclass(frozen=True)
class Key:
    """A table's own key: text that matches `pattern`. `expected`: the same in words."""

    pattern: str
    expected: str

    def read(self, node: Node, at: str, reading: Reading) -> str | Bad:
        if node.kind == "scalar" and re.fullmatch(self.pattern, node.value, re.ASCII):
            return str(node.value)
        return reading.at_node(node, f"{node.what} cannot stand here", self.expected)

    def json(self) -> Json:
        return {"type": "string", "pattern": f"^({self.pattern})$"}

    def words(self) -> str:
        return self.expected


@dataclasses.dataclass(frozen=True)
class Version:
    """The format's version: the one this program reads."""

    number: int

    def read(self, node: Node, at: str, reading: Reading) -> int | Bad:
        if node.kind == "scalar" and node.value == str(self.number):
            return self.number
        return reading.at_node(node, f"{node.what} is no version", str(self.number))

    def json(self) -> Json:
        return {"const": self.number}

    def words(self) -> str:
        return f"`{self.number}`"
