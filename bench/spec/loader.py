"""From a spec file to a Spec, or to every complaint about it at once."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from bench.core.errors import Complaint, SpecError

from . import grammar
from .build import build_spec
from .model import Spec
from .nodes import Node, compose, read_text
from .reading import Reading

OTHER_KINDS = {
    "hardstand": "spec",
    "hardstand_bench": "bench profile",
    "hardstand_accepted": "file of accepted discrepancies",
}


@dataclass(frozen=True, slots=True)
class Loaded:
    """A spec that holds together, and what its author should look at all the same."""

    spec: Spec
    warnings: tuple[Complaint, ...] = ()


def load_spec(path: str | Path) -> Loaded:
    """Read a spec file.

    **Raises:** SpecError with all complaints at once, each with line and column.
    """
    return parse_spec(read_text(Path(path)), str(path))


def parse_spec(text: str, path: str = "<text>") -> Loaded:
    """Read a spec from its text; `path` only names it in complaints.

    **Raises:** SpecError with all complaints at once, each with line and column.
    """
    root = compose(text, path)
    check_version(root, path, "hardstand", grammar.VERSION)
    reading = Reading(path)
    tree = grammar.SPEC.read(root, "", reading)
    spec = build_spec(tree, reading, text)
    return Loaded(spec, reading.sorted())


def check_version(root: Node, path: str, key: str, newest: int) -> None:
    """Refuse what is no file of ours, another kind of file, or a newer format, by one complaint.

    **Raises:** SpecError.
    """
    kind = OTHER_KINDS[key]
    due = f"{key}: {newest}"
    if root.kind != "map" or not root.value:
        raise _refusal(root, path, f"{root.what} where a {kind} is due", f'"{due}" as the first key')
    first, version = root.value[0]
    other = first.value if first.kind == "scalar" else ""
    if other in OTHER_KINDS and other != key:
        raise _refusal(
            first, path, f"this is a {OTHER_KINDS[other]}, not a {kind}", f'a file that begins "{due}"'
        )
    if other != key:
        raise _refusal(first, path, "the format's version does not come first", f'"{due}" as the first key')
    said = version.value if version.kind == "scalar" else ""
    if said.isascii() and said.isdigit() and int(said[:9]) > newest:
        text = f"this {kind} is of version {said[:9]}, newer than this program reads"
        raise _refusal(version, path, text, due, "install a newer hardstand")
    if said != str(newest):
        raise _refusal(version, path, f"{version.what} is no version of this format", due)


def _refusal(node: Node, path: str, text: str, expected: str, advice: str = "") -> SpecError:
    return SpecError(Complaint(text, path, node.line, node.column, expected, advice))
