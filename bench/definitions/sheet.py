"""A YAML file read as text with places: nothing is typed by YAML, so `010` and `off` stay as written."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import yaml
from yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from bench.core.errors import Complaint, DefinitionError

from .find import read_text
from .nearest import nearest

_MAX_BYTES, _MAX_DEPTH = 1_000_000, 12
_INT = re.compile(r"[-+]?(0x[0-9A-Fa-f]+|\d+)$")


@dataclass(slots=True)
class Part:
    """One node of the file: exactly one of `text`, `items`, `keys` is not None."""

    where: str
    line: int
    column: int
    text: str | None = None
    items: list[Part] | None = None
    keys: dict[str, Part] | None = None


@dataclass(slots=True)
class Sheet:
    """A file's tree and what was wrong with it so far."""

    path: str
    root: Part
    complaints: list[Complaint] = field(default_factory=list)

    def say(self, part: Part, text: str, *, expected: str = "", advice: str = "") -> None:
        """Keeps a complaint about a place of the file."""
        self.complaints.append(
            Complaint(
                text, path=self.path, line=part.line, column=part.column, expected=expected, advice=advice
            )
        )

    def mapping(
        self, part: Part, allowed: Iterable[str] | None = None, required: Iterable[str] = ()
    ) -> Mapping[str, Part]:
        """The keys of a mapping; says which are unknown and which are missing."""
        if part.keys is None:
            self.say(part, f"{part.where} is not a mapping", expected="key: value")
            return {}
        if allowed is not None:
            known = tuple(allowed)
            for key in [k for k in part.keys if k not in known]:
                near = nearest(key, known) or f"known here: {', '.join(known)}"
                self.say(part.keys[key], f'unknown key "{key}" in {part.where}', advice=near)
        for key in required:
            if key not in part.keys:
                self.say(part, f'{part.where} lacks "{key}"')
        return part.keys

    def text(self, part: Part) -> str:
        """The scalar's text."""
        if part.text is None:
            self.say(part, f"{part.where} is not a single value")
            return ""
        return part.text

    def integer(self, part: Part, lo: int = 0, hi: int = 2**64 - 1) -> int:
        """A whole number, decimal or 0x hexadecimal."""
        text = self.text(part)
        if _INT.match(text) and lo <= (value := _int(text)) <= hi:
            return value
        self.say(
            part,
            f'{part.where} is "{text}"',
            expected=f"a whole number from {lo} to {hi}, such as 33 or 0x21",
        )
        return lo

    def number(self, part: Part) -> float:
        """A finite number other than 0."""
        text = self.text(part)
        if (
            re.match(r"[-+]?\d+(\.\d*)?([eE][-+]?\d+)?$", text)
            and (value := float(text)) != 0
            and abs(value) < 1e300
        ):
            return value
        self.say(part, f'{part.where} is "{text}"', expected="a number other than 0")
        return 1.0

    def choice(self, part: Part, choices: tuple[str, ...]) -> str:
        """One of the given words."""
        text = self.text(part)
        if text in choices:
            return text
        self.say(
            part, f'{part.where} is "{text}"', expected=" or ".join(choices), advice=nearest(text, choices)
        )
        return choices[0]

    def list_of(self, part: Part) -> list[Part]:
        """The items of a list, or the one value alone."""
        return part.items if part.items is not None else [part]

    def span(self, part: Part) -> tuple[int, int]:
        """A raw value or a range of raw values written `1..250`."""
        return self.span_of(part, self.text(part))

    def span_of(self, part: Part, text: str) -> tuple[int, int]:
        """As `span`, for a text such as a key of the file."""
        lo, _, hi = text.partition("..")
        if _INT.match(lo) and (not hi or _INT.match(hi)):
            ends = _int(lo), _int(hi or lo)
            if ends[0] <= ends[1]:
                return ends
        self.say(
            part, f'"{text}" in {part.where} is no raw value', expected="a number or a range such as 1..250"
        )
        return 0, 0


def _int(text: str) -> int:
    sign = -1 if text.startswith("-") else 1
    digits = text.lstrip("+-")
    return sign * (int(digits, 16) if digits[:2].lower() == "0x" else int(digits))


def read_sheet(path: Path) -> Sheet:
    """The file's tree.

    **Raises:** DefinitionError when it is no YAML, uses aliases, or is deeper or larger than
    any binding needs to be.
    """
    text = read_text(path)
    if len(text) > _MAX_BYTES:
        raise DefinitionError(Complaint(f"the file has over {_MAX_BYTES} bytes", path=str(path)))
    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    try:
        node = yaml.compose(text, Loader=loader)
    except yaml.YAMLError as e:
        mark = getattr(e, "problem_mark", None)
        raise DefinitionError(
            Complaint(
                f"this is not YAML: {getattr(e, 'problem', None) or 'it cannot be read'}",
                path=str(path),
                line=mark.line + 1 if mark else None,
                column=mark.column + 1 if mark else None,
            )
        ) from e
    except RecursionError as e:
        raise DefinitionError(Complaint("the file is nested too deep", path=str(path))) from e
    if node is None:
        raise DefinitionError(Complaint("the file is empty", path=str(path)))
    builder = _Builder(str(path))
    root = builder.part(node, "the file", 0)
    if builder.complaints:
        raise DefinitionError(builder.complaints)
    return Sheet(str(path), root)


class _Builder:
    def __init__(self, path: str) -> None:
        self.path = path
        self.seen: set[int] = set()
        self.complaints: list[Complaint] = []

    def part(self, node: Node, where: str, depth: int) -> Part:
        line, column = node.start_mark.line + 1, node.start_mark.column + 1
        if id(node) in self.seen:
            self.say(line, column, "a binding has no use for aliases", "write it out")
            return Part(where, line, column, text="")
        self.seen.add(id(node))
        if depth > _MAX_DEPTH:
            self.say(line, column, "nested too deep", f"at most {_MAX_DEPTH} levels")
            return Part(where, line, column, text="")
        if isinstance(node, ScalarNode):
            return Part(where, line, column, text=str(node.value))
        if isinstance(node, SequenceNode):
            items = [self.part(n, f"{where} item {k}", depth + 1) for k, n in enumerate(node.value, start=1)]
            return Part(where, line, column, items=items)
        keys = self.keys(node, where, depth) if isinstance(node, MappingNode) else {}
        return Part(where, line, column, keys=keys)

    def keys(self, node: MappingNode, where: str, depth: int) -> dict[str, Part]:
        keys: dict[str, Part] = {}
        for key_node, value in node.value:
            line, column = key_node.start_mark.line + 1, key_node.start_mark.column + 1
            if not isinstance(key_node, ScalarNode):
                self.say(line, column, "a key must be a single word or number", "")
                continue
            key = str(key_node.value)
            if key in keys:
                self.say(line, column, f'"{key}" stands twice in {where}', "keep one of them")
            part = self.part(value, key if where == "the file" else f"{where}.{key}", depth + 1)
            part.line, part.column = line, column
            keys[key] = part
        return keys

    def say(self, line: int, column: int, text: str, advice: str) -> None:
        self.complaints.append(Complaint(text, path=self.path, line=line, column=column, advice=advice))
