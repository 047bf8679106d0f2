"""YAML text to a bounded tree of nodes that know their line and column. Nothing is typed here.

The parser's events are read one by one and the tree is built without recursion, so that deep
nesting, huge files and aliases that explode end in a complaint. Scalars stay the text they are:
YAML's own ideas of numbers and truth (`010`, `1:30`, `off`, `no`) never apply.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, TypeAlias

import yaml

from bench.core.errors import Complaint, SpecError

MAX_BYTES = 2_000_000
MAX_DEPTH = 24
MAX_ALIASES = 1_000
MAX_NODES = 300_000  # with every alias written out
Raw: TypeAlias = Any  # what the YAML parser hands over
_PARSER: Raw = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_NAMES = {"scalar": "a single value", "list": "a list", "map": "a table of keys"}


class Node:
    """One YAML node. `kind`: scalar | list | map; `value`: text, nodes, or (key, value) pairs."""

    __slots__ = ("column", "depth", "kind", "line", "plain", "size", "value")

    def __init__(self, kind: str, line: int, column: int, value: Raw, *, plain: bool = False) -> None:
        self.kind = kind
        self.line = line
        self.column = column
        self.value = value
        self.plain = plain  # a scalar written without quotes
        self.size = 1  # nodes in it, aliases written out
        self.depth = 1  # levels in it

    @property
    def what(self) -> str:
        """In words, for a complaint: `"abc"`, `nothing`, `a list`."""
        if self.kind != "scalar":
            return _NAMES[self.kind]
        if self.plain and self.value == "":
            return "nothing"
        text = self.value if len(self.value) <= 40 else self.value[:37] + "..."
        return f'"{text}"'


def read_text(path: Path, *, kind: str = "spec") -> str:
    """The text of a file in UTF-8. Raises SpecError: no such file, too big, not UTF-8."""
    name = str(path)
    try:
        if path.is_dir():
            raise SpecError(
                Complaint(f"this is a folder, not a {kind}", name, advice=f"name the {kind}'s file")
            )
        with path.open("rb") as file:
            raw = file.read(MAX_BYTES + 1)
    except FileNotFoundError as e:
        raise SpecError(
            Complaint("no such file", name, advice="check the path; `demo` names the demo boat")
        ) from e
    except OSError as e:
        raise SpecError(Complaint(f"cannot read the file: {e.strerror or e}", name)) from e
    except ValueError as e:  # a path with a zero byte
        raise SpecError(Complaint(f"cannot read the file: {e}", repr(name))) from e
    if len(raw) > MAX_BYTES:
        raise SpecError(_too_big(name, kind))
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as e:
        line = raw.count(b"\n", 0, e.start) + 1
        column = e.start - (raw.rfind(b"\n", 0, e.start) + 1) + 1
        raise SpecError(
            Complaint(
                f"byte 0x{raw[e.start]:02X} is not UTF-8",
                name,
                line,
                column,
                "text in UTF-8",
                "save the file as UTF-8",
            )
        ) from e


def compose(text: str, path: str, *, kind: str = "spec") -> Node:
    """The root node of the one document in `text`. Raises SpecError with one complaint."""
    if len(text) > MAX_BYTES:
        raise SpecError(_too_big(path, kind))
    bad = (
        next((i for i, c in enumerate(text) if "\ud800" <= c <= "\udfff"), None)
        if not _encodable(text)
        else None
    )
    if bad is not None:
        raise SpecError(
            _at(text, bad, path, f"character U+{ord(text[bad]):04X} is not text", "save the file as UTF-8")
        )
    builder = _Builder(path, kind)
    parser = None
    try:
        parser = _PARSER(text)
        next_event = parser.get_event
        while (event := next_event()) is not None:
            builder.take(event)
    except yaml.reader.ReaderError as e:
        code = e.character if isinstance(e.character, int) else ord(e.character)
        advice = "delete it"
        raise SpecError(_at(text, e.position, path, f"character U+{code:04X} is not allowed", advice)) from e
    except yaml.MarkedYAMLError as e:
        raise SpecError(_syntax(e, text, path)) from e
    except RecursionError as e:
        raise SpecError(Complaint(_DEEP, path, 1, 1, f"at most {MAX_DEPTH} levels")) from e
    finally:
        if parser is not None:
            parser.dispose()
    if builder.root is None:
        text_of = f"the {kind} is empty"
        keys = {"bench profile": "hardstand_bench", "file of accepted discrepancies": "hardstand_accepted"}
        key = keys.get(kind, "hardstand")
        raise SpecError(Complaint(text_of, path, 1, 1, f'"{key}: 1" as its first key'))
    return builder.root


_DEEP = "nested too deeply"


def _encodable(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _too_big(path: str, kind: str) -> Complaint:
    return Complaint(
        f"the {kind} is too big", path, 1, 1, f"at most {MAX_BYTES:,} bytes", "is this the right file?"
    )


def _at(text: str, index: int, path: str, what: str, advice: str) -> Complaint:
    line = text.count("\n", 0, index) + 1
    column = index - (text.rfind("\n", 0, index) + 1) + 1
    return Complaint(what, path, line, column, advice=advice)


def _syntax(error: yaml.MarkedYAMLError, text: str, path: str) -> Complaint:
    """A parser's complaint in our words: what, where, what to do."""
    mark = error.problem_mark or error.context_mark
    line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
    lines = text.split("\n", line)
    here = lines[line - 1] if line <= len(lines) else ""
    problem = error.problem or "this is not YAML"
    if "nesting depth" in problem:
        return Complaint(_DEEP, path, line, column, f"at most {MAX_DEPTH} levels", "is this the right file?")
    if "cannot start any token" in problem and here[column - 1 : column] == "\t":
        return Complaint("a tab cannot indent", path, line, column, "spaces", "replace tabs by spaces")
    if "cannot start any token" in problem:
        problem = f"character {here[column - 1 : column]!r} cannot start a value"
        return Complaint(problem, path, line, column, advice="put the value in quotes")
    context = f" {error.context}" if error.context else ""
    advice = ""
    if "mapping values are not allowed" in problem or "could not find expected ':'" in problem:
        advice = "check the indentation and the colons of this line and the one before"
    elif error.context_mark and error.context_mark.line + 1 != line:
        advice = f"it begins in line {error.context_mark.line + 1}"
    return Complaint(f"this is not YAML: {problem}{context}", path, line, column, advice=advice)


class _Builder:
    """Puts events together to a tree and keeps the bounds."""

    def __init__(self, path: str, kind: str) -> None:
        self.path = path
        self.kind = kind
        self.root: Node | None = None
        self._stack: list[Node] = []  # open lists and maps
        self._keys: list[Node | None] = []  # the key waiting for its value, per open map
        self._anchors: dict[str, Node] = {}
        self._open: dict[int, str] = {}  # depth of stack -> anchor of the node being built there
        self._aliases = 0
        self._total = 0

    def take(self, event: Raw) -> None:
        kind = type(event)
        if kind is yaml.ScalarEvent:
            mark = event.start_mark
            node = Node("scalar", mark.line + 1, mark.column + 1, event.value, plain=not event.style)
            if event.anchor is not None or event.tag is not None:
                self._named(event, node)
            self._total += 1
            self._add(node)
        elif kind is yaml.MappingStartEvent or kind is yaml.SequenceStartEvent:
            mark = event.start_mark
            node = Node(
                "map" if kind is yaml.MappingStartEvent else "list", mark.line + 1, mark.column + 1, []
            )
            if event.anchor is not None or event.tag is not None:
                self._named(event, node, is_open=True)
            self._total += 1
            self._stack.append(node)
            self._keys.append(None)
            if len(self._stack) > MAX_DEPTH:
                self._refuse(node, _DEEP, f"at most {MAX_DEPTH} levels")
        elif kind is yaml.MappingEndEvent or kind is yaml.SequenceEndEvent:
            self._close()
        elif kind is yaml.AliasEvent:
            self._alias(event)
        elif kind is yaml.DocumentStartEvent and self.root is not None:
            mark = event.start_mark
            self._refuse(
                Node("scalar", mark.line + 1, mark.column + 1, ""),
                "a second document begins here",
                "one document",
            )
        if self._total > MAX_NODES:
            self._refuse(
                self.root or (self._stack[0] if self._stack else node),
                f"the {self.kind} holds too much",
                f"at most {MAX_NODES:,} values",
            )

    def _close(self) -> None:
        node = self._stack.pop()
        self._keys.pop()
        name = self._open.pop(len(self._stack), None)
        if name is not None:
            self._anchors[name] = node
        self._add(node)

    def _add(self, node: Node) -> None:
        if not self._stack:
            self.root = node
            return
        parent = self._stack[-1]
        parent.size += node.size
        if node.depth >= parent.depth:
            parent.depth = node.depth + 1
        if parent.kind == "list":
            parent.value.append(node)
        elif (key := self._keys[-1]) is None:
            self._keys[-1] = node
        else:
            parent.value.append((key, node))
            self._keys[-1] = None

    def _named(self, event: Raw, node: Node, *, is_open: bool = False) -> None:
        if event.tag not in (None, "!"):
            self._refuse(node, f"the tag {event.tag} means nothing here", "a plain value", "delete the tag")
        if event.anchor is None:
            return
        if event.anchor in self._anchors or event.anchor in self._open.values():
            self._refuse(node, f"the anchor &{event.anchor} is set twice", "each anchor once", "rename one")
        if is_open:
            self._open[len(self._stack)] = event.anchor
        else:
            self._anchors[event.anchor] = node

    def _alias(self, event: Raw) -> None:
        mark = event.start_mark
        here = Node("scalar", mark.line + 1, mark.column + 1, "*" + event.anchor)
        if event.anchor in self._open.values():
            self._refuse(
                here, f"*{event.anchor} stands inside what it names", "an alias of something complete"
            )
        target = self._anchors.get(event.anchor)
        if target is None:
            self._refuse(here, f"*{event.anchor} names nothing", f"an anchor &{event.anchor} before it")
            return
        self._aliases += 1
        self._total += target.size
        if self._aliases > MAX_ALIASES:
            self._refuse(here, "too many aliases", f"at most {MAX_ALIASES}")
        if self._total > MAX_NODES:
            self._refuse(
                here, f"aliases blow the {self.kind} up", f"at most {MAX_NODES:,} values when written out"
            )
        if len(self._stack) + target.depth > MAX_DEPTH:
            self._refuse(here, _DEEP, f"at most {MAX_DEPTH} levels")
        self._add(target)

    def _refuse(self, node: Node, text: str, expected: str, advice: str = "") -> None:
        raise SpecError(Complaint(text, self.path, node.line, node.column, expected, advice))
