"""Accepted discrepancies: known, agreed with somebody, and only for a while. Read as the spec is."""

from __future__ import annotations

import re
from calendar import monthrange
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from . import grammar_parts as parts
from .loader import check_version
from .model import Spec
from .nodes import Node, compose, read_text
from .reading import Bad, Reading
from .shapes import Json, Text, Version
from .tables import Field, ListOf, Record

VERSION = 1


@dataclass(frozen=True, slots=True)
class Accepted:
    """One accepted discrepancy. `subject`: the circuit, control, panel or box that reports name first;
    `kind`: as reports name it; `also`: subjects that may deviate with it or because of it; `expires`:
    the last day it counts, as YYYY-MM-DD. `line` of the file."""

    subject: str
    kind: Literal[
        "unexpected", "missing", "late", "level", "current", "restart", "frame_missing", "counter", "seen"
    ]
    reason: str
    who: str
    expires: str
    also: tuple[str, ...] = ()
    path: str = ""
    line: int = 0


@dataclass(frozen=True, slots=True)
class AcceptedFile:
    """`entries` in the order of the file."""

    entries: tuple[Accepted, ...] = ()
    path: str = ""
    places: dict[str, tuple[int, int]] = field(default_factory=dict)


@dataclass(frozen=True)
class Day:
    """A day of the calendar (ISO 8601), kept as text."""

    def read(self, node: Node, at: str, reading: Reading) -> str | Bad:
        text = str(node.value) if node.kind == "scalar" else ""
        return (
            text if _is_day(text) else reading.at_node(node, f"{node.what} is no day", "a day as 2027-03-31")
        )

    def json(self) -> Json:
        return {"type": "string", "format": "date", "pattern": "^[0-9]{4}-[0-9]{2}-[0-9]{2}$"}

    def words(self) -> str:
        return "day as YYYY-MM-DD"


def _is_day(text: str) -> bool:
    if not re.fullmatch(r"[1-9][0-9]{3}-[0-9]{2}-[0-9]{2}", text, re.ASCII):
        return False
    year, month, day = (int(part) for part in text.split("-"))
    return 1 <= month <= 12 and 1 <= day <= monthrange(year, month)[1]


_ENTRY = Record(
    "an accepted discrepancy",
    Accepted,
    Field("subject", Text(), "What reports name first: a circuit, control, panel or box.", needed="yes"),
    Field("kind", parts.word(Accepted, "kind"), "Its kind, as reports name it.", needed="yes"),
    Field("reason", Text(), "Why it is accepted.", needed="yes"),
    Field("who", Text(), "Who accepted it.", needed="yes"),
    Field("expires", Day(), "The last day on which it is accepted.", needed="yes"),
    Field("also", ListOf(Text()), "Other subjects that may deviate with it or because of it."),
    build=False,
)
ACCEPTED = Record(
    "the accepted discrepancies",
    AcceptedFile,
    Field("hardstand_accepted", Version(VERSION), "Version of this format; the first key.", needed="yes"),
    Field("accepted", ListOf(_ENTRY, twice_ok=True), "One entry each.", attr="entries", needed="yes"),
    build=False,
)


def load_accepted(path: str | Path) -> AcceptedFile:
    """Read a file of accepted discrepancies. **Raises:** SpecError with all complaints, each with line and
    column."""
    return parse_accepted(read_text(Path(path), kind="file of accepted discrepancies"), str(path))


def parse_accepted(text: str, path: str = "<text>") -> AcceptedFile:
    """Read it from its text. **Raises:** SpecError with all complaints."""
    root = compose(text, path, kind="file of accepted discrepancies")
    check_version(root, path, "hardstand_accepted", VERSION)
    reading = Reading(path)
    tree = ACCEPTED.read(root, "", reading)
    reading.stop_on_errors()
    entries = []
    first_at: dict[tuple[str, str], int] = {}
    for number, values in enumerate(tree["entries"], 1):
        line = reading.places[f"accepted.{number}"][0]
        entry = Accepted(**values, path=path, line=line)
        key = entry.subject, entry.kind
        if key in first_at:
            text = f"{entry.subject} {entry.kind} is accepted twice, first on line {first_at[key]}"
            reading.at(f"accepted.{number}", text, advice="delete one")
        first_at.setdefault(key, line)
        entries.append(entry)
    reading.stop_on_errors()
    return AcceptedFile(tuple(entries), path, reading.places)


def match_accepted(file: AcceptedFile, spec: Spec) -> None:
    """**Raises:** SpecError for subjects that the spec does not have: what cannot occur is not accepted."""
    known = [*spec.circuits, *spec.controls, *spec.outside, *spec.boxes]
    known += [f"panel {name}" for name in spec.panels]
    reading = Reading(file.path)
    reading.places.update(file.places)
    for number, entry in enumerate(file.entries, 1):
        if entry.subject not in known:
            reading.unknown(
                f"accepted.{number}.subject", "circuit, control, panel or box", entry.subject, known
            )
        for at, name in enumerate(entry.also, 1):
            if name not in known:
                reading.unknown(f"accepted.{number}.also.{at}", "circuit, control, panel or box", name, known)
    reading.stop_on_errors()
