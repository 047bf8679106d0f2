"""The traces tell options apart: an oracle given another word in one place fails a trace of that sheet."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass, replace
from typing import Any, get_type_hints

import pytest
import runner
from test_golden_complete import _words
from test_golden_oracle import OracleBox
from test_golden_twin import TwinBox

from bench.core.errors import UsageError
from bench.twin import parse_tables

Edit = tuple[str, str, str, str]  # class, field, word as agreed, word instead
# Words that don't change what a box does, or that cannot be exchanged alone.
WITHOUT_EFFECT = {
    ("Boat", "propulsion"),  # for the rules on navigation lights
    ("ControlNode", "kind"),  # a name; panel and screen keys are alike
    ("Control", "kind"),
    ("Function", "kind"),  # another kind needs other fields
    ("Function", "position"),  # a derived cycle has no reset
}
UNSEEN = {
    ("Trip", "reset", "timer", ""): "T stops at the trip, so a timer never meets a latch [D4]",
    ("Trip", "reset", "wake", ""): "trip_at_wake: cleared clears every latch, listed or not [D10]",
    ("Lamp", "shows", "active", "position"): "each is for one kind of function, and means its predicate",
    ("Lamp", "shows", "position", "active"): "each is for one kind of function, and means its predicate",
}


def edits(value: Any) -> Iterator[tuple[Edit, Any]]:
    """Every copy of a frozen spec in which one option's word is exchanged, or taken out of a set."""
    if is_dataclass(value) and not isinstance(value, type):
        hints = get_type_hints(type(value))
        for f in fields(value):
            old = getattr(value, f.name)
            cls = type(value).__name__
            if (cls, f.name) in WITHOUT_EFFECT:
                continue
            for edit, new in _exchanged(cls, f.name, old, tuple(_words(hints[f.name]))):
                yield edit, replace(value, **{f.name: new})
    elif isinstance(value, Mapping):
        for k, v in value.items():
            for edit, new in edits(v):
                yield edit, {**value, k: new}
    elif isinstance(value, tuple):
        for n, v in enumerate(value):
            for edit, new in edits(v):
                yield edit, (*value[:n], new, *value[n + 1 :])


def _exchanged(cls: str, name: str, old: Any, words: tuple[str, ...]) -> Iterator[tuple[Edit, Any]]:
    if isinstance(old, frozenset):
        yield from (((cls, name, w, ""), old - {w}) for w in sorted(old))
    elif words and isinstance(old, str):
        yield from (((cls, name, old, w), w) for w in words if w != old)
    elif isinstance(old, bool) and cls != "Function":
        yield (cls, name, str(old), str(not old)), not old
    else:
        yield from edits(old)


def noticed(sheet: runner.Sheet, spec: Any) -> bool:
    for trace in sheet.traces:
        try:
            if runner.walk(trace, runner.spec_of(sheet), OracleBox(spec)):
                return True
        except (AssertionError, KeyError, ValueError):
            return True
    return False


@pytest.mark.slow
def test_every_exchanged_word_is_noticed_by_a_trace():
    seen: dict[Edit, bool] = {}
    for sheet in runner.sheets():
        for edit, spec in edits(runner.spec_of(sheet)):
            if not seen.get(edit):
                seen[edit] = noticed(sheet, spec)
    assert len(seen) > 60
    assert {e for e, found in seen.items() if not found} == set(UNSEEN)


# -- the same for the virtual box's tables, where a word stands behind its key

CHOICES = {
    ("box", "others"): ("dark", "retained"),
    ("box", "trip_at_wake"): ("kept", "cleared"),
    ("box", "hand_sensed"): ("flag", "none"),
    ("box", "hand_presses"): ("ignored", "stored"),
    ("box", "repeats"): ("ignored", "new"),
    ("operation", "place"): ("seen", "counted"),
    ("operation", "part_on"): ("off", "on"),
    ("operation", "again"): ("off", "again"),
    ("node", "held"): ("release", "hold"),
    ("node", "dim"): ("freeze", "continue"),
    ("node", "others"): ("hold", "off"),
    ("input", "on_lost"): ("hold", "rest", "active"),
    ("force", "presses"): ("ignored", "stored"),
    ("force", "over_inhibit"): ("passes", "yields"),
    ("follow", "at_end"): ("keep", "drop"),
    ("follow", "sees"): ("output", "command"),
    ("inhibit", "sees"): ("output", "command"),
    ("channel", "memory"): ("none", "kept", "through_loss"),
    ("channel", "turn"): ("down", "alternate"),
    ("channel", "at_end"): ("turn", "stop"),
    ("channel", "scene_sets_memory"): ("true", "false"),
    ("channel", "on_presses"): ("refused", "allowed"),
    ("box", "on_presses"): ("refused", "allowed"),
    ("box", "restore"): ("true", "false"),
    ("key", "shows"): ("any", "all"),
    ("key", "tripped"): ("flash", "on", "off"),
}


def table_edits(text: str) -> Iterator[tuple[Edit, str]]:
    """Every copy of the tables in which one word is exchanged."""
    section = ""
    lines = text.splitlines()
    for n, line in enumerate(lines):
        if line.startswith("[["):
            section = line.strip("[] ")
        for found in re.finditer(r'\b(\w+) = "?(\w+)"?', line):
            key, word = found.groups()
            for other in CHOICES.get((section, key), ()):
                if other != word and word in CHOICES[section, key]:
                    new = line[: found.start(2)] + other + line[found.end(2) :]
                    yield (section, key, word, other), "\n".join([*lines[:n], new, *lines[n + 1 :]])


def noticed_by_twin(sheet: runner.Sheet, text: str) -> bool:
    try:
        tables = parse_tables(text, str(runner.HERE / sheet.file))
    except UsageError:
        return True
    spec, framed = runner.spec_of(sheet), "[[heard]]" in text
    return any(runner.walk(trace, spec, TwinBox(spec, tables, framed)) for trace in sheet.traces)


@pytest.mark.slow
def test_every_exchanged_word_of_the_tables_is_noticed_by_a_trace():
    seen: dict[Edit, bool] = {}
    for sheet in runner.sheets():
        for edit, text in table_edits(sheet.tables):
            if not seen.get(edit):
                seen[edit] = noticed_by_twin(sheet, text)
    assert len(seen) > 40
    assert {e for e, found in seen.items() if not found} == set()
