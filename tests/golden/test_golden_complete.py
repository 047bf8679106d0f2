"""The traces are complete: enough of them, every option of the spec, every cell of the two tables."""

from __future__ import annotations

import types
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import pytest
import runner

from bench.spec import model as spec_model
from bench.spec.model import Spec

ROWS = {
    "free": "free",
    "by hand, ignored": "by_hand_ignored",
    "by hand, stored": "by_hand_stored",
    "by hand, stored or unknown to the box": "by_hand_stored",
    "tripped": "tripped",
    "tripped (S=0)": "tripped",
    "forced": "forced",
    "inhibited": "inhibited",
    "inhibited (S=0)": "inhibited",
    "tripped + forced": "tripped+forced",
    "by hand + tripped": "by_hand+tripped",
    "forced + inhibited, passes": "forced+inhibited_passes",
    "forced + inhibited, yields": "forced+inhibited_yields",
    "tripped + inhibited": "tripped+inhibited",
    "by hand + forced": "by_hand+forced",
    "by hand + inhibited": "by_hand+inhibited",
}
COLUMNS = {
    "on press": "on_press",
    "off press": "off_press",
    "group": "group",
    "cycle": "cycle",
    "scene": "scene",
    "follow on / drop": "follow",
    "timer end": "timer",
    "wake": "wake",
    "cause begins": "begins",
    "cause ends": "ends",
    "lost panel": "lost",
}
# Cells the tables mark "-": a free channel is under no cause. Traces there show shedding, which has no row.
EMPTY = {"free/begins", "free/ends"}

OF_SCENARIOS = (spec_model.ScenarioStep, spec_model.Shown)  # what a bench does


def table_cells() -> set[str]:
    """Every cell of the two tables of docs/meaning.md, read from that page."""
    text = (runner.HERE.parents[1] / "docs" / "meaning.md").read_text("utf-8")
    cells: set[str] = set()
    columns: list[str] = []
    for line in text.splitlines():
        parts = [p.strip() for p in line.strip("| ").split(" | ")]
        if line.startswith("| row "):
            columns = [COLUMNS[p] for p in parts[1:]]
        elif not line.startswith("|"):
            columns = []
        elif columns and not line.startswith("|---"):
            assert len(parts) == len(columns) + 1, line
            cells |= {f"{ROWS[parts[0]]}/{c}" for c in columns}
    return cells


def option_words() -> set[tuple[str, str, str]]:
    """(class, field, word) for every Literal of bench/spec/model.py that says what a box does."""
    found: set[tuple[str, str, str]] = set()
    for cls in vars(spec_model).values():
        if isinstance(cls, type) and is_dataclass(cls) and cls not in OF_SCENARIOS:
            for name, hint in get_type_hints(cls).items():
                found |= {(cls.__name__, name, w) for w in _words(hint)}
    return found


def _words(hint: Any) -> Iterator[str]:
    if get_origin(hint) is Literal:
        yield from get_args(hint)
    elif get_origin(hint) in (Union, types.UnionType, frozenset, tuple):
        for inner in get_args(hint):
            yield from _words(inner)


def used_words(value: Any) -> Iterator[tuple[str, str, str]]:
    """(class, field, word) of all texts that stand in a spec's fields."""
    if is_dataclass(value) and not isinstance(value, type):
        for f in fields(value):
            inner = getattr(value, f.name)
            for word in inner if isinstance(inner, frozenset) else (inner,):
                if isinstance(word, str):
                    yield type(value).__name__, f.name, word
            yield from used_words(inner)
    elif isinstance(value, Mapping):
        for inner in value.values():
            yield from used_words(inner)
    elif isinstance(value, tuple):
        for inner in value:
            yield from used_words(inner)


def specs() -> list[Spec]:
    return [runner.spec_of(s) for s in runner.sheets()]


def test_there_are_at_least_130_traces_with_names_of_their_own():
    names = [(s.file, t.name) for s in runner.sheets() for t in s.traces]
    assert len(names) >= 130
    assert len(set(names)) == len(names)


@pytest.mark.slow
def test_every_word_of_every_option_stands_in_a_trace_file():
    used = {w for spec in specs() for w in used_words(spec)}
    assert len(option_words()) > 60
    assert sorted(option_words() - used) == []


@pytest.mark.slow
def test_both_yes_and_no_of_every_yes_or_no_option_stand_in_a_trace_file():
    supplies = [b.supply for spec in specs() for b in spec.boxes.values() if b.supply]
    groups = [f for spec in specs() for f in spec.functions.values() if f.kind == "group"]
    assert {s.restores for s in supplies} == {True, False}
    assert {g.dim_together for g in groups} == {True, False}
    assert {b.wake.by for spec in specs() for b in spec.boxes.values()} == {"supply", "message"}


def test_the_tables_have_13_rows_and_11_columns():
    assert len(table_cells()) == 13 * 11


def test_every_cell_of_both_tables_has_a_trace():
    marked = {c for s in runner.sheets() for t in s.traces for c in t.cells}
    assert sorted(marked - table_cells()) == [], "traces name cells that the tables don't have"
    assert sorted(table_cells() - EMPTY - marked) == []


def test_every_decision_of_the_meaning_is_recorded():
    docs = runner.HERE.parents[1] / "docs"
    meaning = (docs / "meaning.md").read_text("utf-8")
    record = (docs / "decisions" / "0002-meaning.md").read_text("utf-8")
    for n in range(1, 21):
        assert f"[D{n}]" in meaning
        assert f"## D{n} " in record


def test_every_sheet_has_tables_of_its_own():
    assert [s.file for s in runner.sheets() if "[[operation]]" not in s.tables] == []


def test_every_sight_stands_clear_of_the_cause_before_it():
    """300 ms, the reaction and what follows from it; sights of a ramp or of what must not have come yet
    (their line says a range) are exempt."""
    close = []
    for sheet in runner.sheets():
        for trace in sheet.traces:
            last = float(runner.START_MS)
            for step in sorted(trace.steps, key=lambda s: s.ms):
                if step.verb != "see":
                    last = step.ms
                elif step.ms - last < 300 and not all(".." in s.text for s in step.sees):
                    close.append(f"{trace.file}:{step.line}")
    assert close == []
