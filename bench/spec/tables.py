"""The shapes of lists and tables: what they hold is described once, in grammar.py."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from .nodes import Node
from .reading import BAD, Reading, listed
from .shapes import Json, Read, Shape, Word


@dataclasses.dataclass(frozen=True)
class ListOf:
    """A list of one shape, no value twice. `one_alone`: a single value need not stand in brackets."""

    item: Shape
    least: int = 0
    one_alone: bool = False
    as_set: bool = False
    empty: str = "the list is empty"
    twice_ok: bool = False
    keep_bad: bool = False  # the list survives items that were complained about

    def read(self, node: Node, at: str, reading: Reading) -> Read:
        if self.one_alone and node.kind == "scalar" and (node.value or not node.plain):
            reading.places[f"{at}.1"] = (node.line, node.column)
            value = self.item.read(node, f"{at}.1", reading)
            return BAD if value is BAD else frozenset((value,)) if self.as_set else (value,)
        if node.kind != "list":
            return reading.at_node(node, f"{node.what} where a list is due", self.words())
        if len(node.value) < self.least:
            return reading.at_node(node, self.empty, self.words())
        values: list[Any] = []
        seen: set[Any] = set()
        for number, item in enumerate(node.value, 1):
            here = f"{at}.{number}"
            reading.places[here] = (item.line, item.column)
            value = self.item.read(item, here, reading)
            if value is not BAD and not self.twice_ok:
                if value in seen:
                    value = reading.at_node(
                        item, f"{item.what} stands twice in the list", advice="delete one"
                    )
                seen.add(value)
            values.append(value)
        if not self.keep_bad and any(v is BAD for v in values):
            return BAD
        return frozenset(values) if self.as_set else tuple(values)

    def json(self) -> Json:
        out: Json = {"type": "array", "items": self.item.json()}
        if not self.twice_ok:
            out["uniqueItems"] = True
        if self.least:
            out["minItems"] = self.least
        return {"anyOf": [self.item.json(), out]} if self.one_alone else out

    def words(self) -> str:
        item = self.item.words()
        return f"{item}, or a list of it" if self.one_alone else f"list of {item}"


@dataclasses.dataclass(frozen=True)
class MapOf:
    """A table from names the author chooses to one shape. Bad values stay in it as BAD, so that the
    name still counts as known."""

    key: Shape
    value: Shape
    least: int = 0
    empty: str = "the table is empty"
    twice: str = 'the key "{key}" stands twice'

    def read(self, node: Node, at: str, reading: Reading) -> Read:
        if node.kind != "map":
            return reading.at_node(node, f"{node.what} where a table of keys is due", self.words())
        if len(node.value) < self.least:
            return reading.at_node(node, self.empty, self.words())
        found: dict[str, Any] = {}
        places = reading.places
        for key_node, value_node in node.value:
            key = self.key.read(key_node, at, reading)
            if key is BAD:
                continue
            here = f"{at}.{key}" if at else key
            if key in found:
                first = places[here][0]
                text = self.twice.format(key=key, table=at.rpartition(".")[2])
                reading.at_node(key_node, text, advice=f"the first is in line {first}; delete one")
                continue
            places[here] = (key_node.line, key_node.column)
            found[key] = self.value.read(value_node, here, reading)
        return found

    def json(self) -> Json:
        out: Json = {
            "type": "object",
            "propertyNames": self.key.json(),
            "additionalProperties": self.value.json(),
        }
        if self.least:
            out["minProperties"] = self.least
        return out

    def words(self) -> str:
        return f"table of {self.key.words()}: {self.value.words()}"


@dataclasses.dataclass(frozen=True)
class Field:
    """One key of a Record. `attr`: the field of the data class when its name is another.

    `needed`: yes | no | a condition in words (checked elsewhere); None: yes where the data class has
    no default. `about`: one sentence for the reference.
    """

    key: str
    shape: Shape
    about: str
    attr: str = ""
    needed: str | None = None

    @property
    def name(self) -> str:
        return self.attr or self.key


class Record:
    """A table of fixed keys. Gives an object of `cls` (`build`) or a dict of its fields.

    `one_of`: exactly one of these keys. `some_of`: at least one. `short`: a single value in place of
    the table means this key.
    """

    def __init__(
        self,
        title: str,
        cls: type,
        *fields: Field,
        build: bool = True,
        one_of: tuple[str, ...] = (),
        some_of: tuple[str, ...] = (),
        short: str = "",
        about: str = "",
    ) -> None:
        self.title, self.cls, self.build, self.about = title, cls, build, about
        self.one_of, self.some_of, self.short = one_of, some_of, short
        self.fields = {f.key: f for f in fields}
        known = {f.name: f for f in dataclasses.fields(cls)}
        self.required = tuple(f.key for f in fields if self._is_required(f, known))
        self.absent = {
            f.name: None
            for f in fields
            if f.key not in self.required and f.name in known and self._has_no_default(known[f.name])
        }
        self.defaults = {
            f.key: known[f.name].default
            for f in fields
            if f.name in known and known[f.name].default is not dataclasses.MISSING
        }

    @staticmethod
    def _is_required(field: Field, known: Mapping[str, dataclasses.Field[Any]]) -> bool:
        if field.needed is not None:
            return field.needed == "yes"
        return Record._has_no_default(known[field.name])

    @staticmethod
    def _has_no_default(field: dataclasses.Field[Any]) -> bool:
        return field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING

    def read(self, node: Node, at: str, reading: Reading) -> Read:
        if self.short and node.kind == "scalar":
            reading.places[f"{at}.{self.short}"] = (node.line, node.column)
            value = self.fields[self.short].shape.read(node, f"{at}.{self.short}", reading)
            return BAD if value is BAD else self._give({self.fields[self.short].name: value})
        if node.kind != "map":
            return reading.at_node(
                node, f"{node.what} where {self.title} is due", f"a table of {listed(self.fields)}"
            )
        return self._read_map(node, at, reading)

    def _read_map(self, node: Node, at: str, reading: Reading) -> Read:
        """Read a node that is a map."""
        values: dict[str, Any] = {}
        seen: dict[str, int] = {}
        whole = True
        for key_node, value_node in node.value:
            key = str(key_node.value) if key_node.kind == "scalar" else ""
            field = self.fields.get(key)
            if field is None:
                whole = False
                self._unknown(key_node, reading)
                continue
            if key in seen:
                reading.at_node(
                    key_node,
                    f'the key "{key}" stands twice',
                    advice=f"the first is in line {seen[key]}; delete one",
                )
                continue
            seen[key] = key_node.line
            here = f"{at}.{key}" if at else key
            reading.places[here] = (key_node.line, key_node.column)
            value = field.shape.read(value_node, here, reading)
            whole = whole and value is not BAD
            values[field.name] = value
        whole = self._complete(node, seen, reading) and whole
        if not self.build:
            return values
        return self._give(values) if whole else BAD

    def _give(self, values: dict[str, Any]) -> Read:
        return self.cls(**{**self.absent, **values}) if self.build else values

    def _unknown(self, node: Node, reading: Reading) -> None:
        advice = reading.suggest(node.value, self.fields) if node.kind == "scalar" else ""
        if node.kind == "scalar" and node.value.isdigit():
            advice = "write the decimals of a number behind a point"
        text = f"unknown key {node.what} in {self.title}"
        reading.at_node(node, text, listed(self.fields, most=30), advice)

    def _complete(self, node: Node, seen: Mapping[str, int], reading: Reading) -> bool:
        missing = [k for k in self.required if k not in seen]
        if missing:
            due = "; ".join(f"{k}: {self.fields[k].shape.words()}" for k in missing[:6])
            keys = listed([f'"{k}"' for k in missing], last="and")
            reading.at_node(node, f"{self.title} says no {keys}", due)
        chosen = [k for k in self.one_of if k in seen]
        if self.one_of and len(chosen) != 1:
            told = (
                f"says {listed(chosen, last='and')} at once" if chosen else f"says no {listed(self.one_of)}"
            )
            reading.at_node(node, f"{self.title} {told}", f"exactly one of {listed(self.one_of)}")
            return False
        if self.some_of and not any(k in seen for k in self.some_of):
            reading.at_node(node, f"{self.title} says nothing", f"at least one of {listed(self.some_of)}")
            return False
        return not missing

    def json(self) -> Json:
        properties = {k: {**f.shape.json(), "description": f.about} for k, f in self.fields.items()}
        out: Json = {"type": "object", "properties": properties, "additionalProperties": False}
        if self.about:
            out["description"] = self.about
        if self.required:
            out["required"] = list(self.required)
        if self.one_of:
            out["oneOf"] = [{"required": [k]} for k in self.one_of]
        if self.some_of:
            out["anyOf"] = [{"required": [k]} for k in self.some_of]
        return {"anyOf": [self.fields[self.short].shape.json(), out]} if self.short else out

    def words(self) -> str:
        return f"{self.fields[self.short].shape.words()}, or {self.title}" if self.short else self.title


class Tagged:
    """One of several records, told apart by the one key that only it has. Gives (tag, dict)."""

    def __init__(self, title: str, records: Mapping[str, Record]) -> None:
        self.title = title
        self.records = dict(records)

    def read(self, node: Node, at: str, reading: Reading) -> Read:
        if node.kind != "map":
            return reading.at_node(
                node, f"{node.what} where {self.title} is due", f"a table with {listed(self.records)}"
            )
        keys = [k.value for k, _ in node.value if k.kind == "scalar"]
        tags = [t for t in self.records if t in keys]
        if len(tags) == 1:
            return tags[0], self.records[tags[0]].read(node, at, reading)
        expected = f"exactly one of {listed(self.records)}"
        if tags:
            return reading.at_node(
                node, f"{self.title} says {listed(tags, last='and')} at once", expected, "make two of it"
            )
        hints = (reading.suggest(k, self.records) for k in keys[:8])
        return reading.at_node(
            node, f"{self.title} says no kind", expected, next((h for h in hints if h), "")
        )

    def json(self) -> Json:
        return {"oneOf": [r.json() for r in self.records.values()]}

    def words(self) -> str:
        return self.title


class WordOr:
    """One of a few words, or a record: `none`, or a table that says more."""

    def __init__(self, choices: tuple[str, ...], record: Record) -> None:
        self.word = Word(choices)
        self.record = record

    def read(self, node: Node, at: str, reading: Reading) -> Read:
        if node.kind == "map":
            return self.record.read(node, at, reading)
        if node.kind == "scalar" and node.value in self.word.choices:
            return node.value
        advice = reading.suggest(node.value, self.word.choices) if node.kind == "scalar" else ""
        return reading.at_node(node, f"{node.what} is not a word known here", self._due(), advice)

    def _due(self) -> str:
        return f"{listed(self.word.choices, last='or')}, or a table of {listed(self.record.fields)}"

    def json(self) -> Json:
        return {"anyOf": [self.word.json(), self.record.json()]}

    def words(self) -> str:
        return f"{self.word.words()}, or {self.record.title}"
