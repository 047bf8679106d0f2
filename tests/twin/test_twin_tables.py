"""Loading tables: everything wrong is said at once, with its line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from bench.core.errors import UsageError
from bench.twin import boats, load_tables, parse_tables

DOC = Path(__file__).parents[2] / "docs" / "twin-tables.md"
SMALL = re.findall(r"```toml\n(.*?)```", DOC.read_text(encoding="utf-8"), re.S)[0]


def complaints(text: str) -> str:
    with pytest.raises(UsageError) as caught:
        parse_tables(text, "x.toml")
    return str(caught.value)


def test_the_smallest_tables_of_the_manual_load() -> None:
    tables = parse_tables(SMALL, "x.toml")
    assert tables.operation[1].channels == (2,)
    assert tables.keys[0].lamp is not None and tables.keys[0].lamp.shows == "any"


@pytest.mark.parametrize(
    ("boat", "channels", "keys"),
    [
        ("kittiwake", 24, 34),
        ("dunlin", 12, 19),
        ("fulmar", 32, 42),
        ("turnstone", 48, 62),
        ("greenshank", 48, 76),
        ("dotterel", 48, 63),
    ],
)
def test_every_shipped_boat_loads_whole(boat: str, channels: int, keys: int) -> None:
    tables = load_tables(boats()[boat])
    assert len(tables.channels) == channels
    assert len(tables.keys) == keys
    assert tables.frames and tables.heard


def test_the_untidy_layout_is_the_same_boat_with_other_frames() -> None:
    tidy, untidy = (load_tables(boats()[n]) for n in ("kittiwake", "kittiwake_untidy"))
    assert untidy.operations == tidy.operations and untidy.channels == tidy.channels
    assert not {f.id for f in untidy.frames} & {f.id for f in tidy.frames}


def test_all_complaints_come_together_with_lines_and_the_nearest_key() -> None:
    text = SMALL.replace('others = "dark"', 'othrs = "dark"').replace('code = "toggle"', 'code = "togle"')
    said = complaints(text)
    assert "lacks 'others'" in said
    assert "unknown key 'othrs' - did you mean 'others'?" in said
    assert "code = 'togle'" in said and "did you mean 'toggle'?" in said
    line = next(n for n, t in enumerate(text.splitlines(), 1) if "togle" in t)
    assert f"x.toml:{line}: error: [[operation]] number 1 has code" in said


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("channels = [2]", "channels = [9]", "operation 1 names channel 9, which no box has"),
        ('node = "panel helm"', 'node = "panel hlm"', "is on 'panel hlm', which is no node"),
        ("operation = 1", "operation = 7", "names operation 7, which does not exist"),
        ("tables = 1", "tables = 2", "tables of another version"),
        ("channels = 3", "channels = true", "expected a whole number from 1 to 48"),
        ("channels = 3", "channels = nan", "expected a whole number from 1 to 48"),
        ("tables = 1", "tables = [", "not TOML"),
    ],
)
def test_what_does_not_fit_is_named(old: str, new: str, said: str) -> None:
    assert said in complaints(SMALL.replace(old, new, 1))


def test_two_fields_on_one_bit_and_a_field_outside_are_refused() -> None:
    frame = '[[frame]]\nname = "S"\nbox = "main"\nid = 5\nbytes = 1\nfields = [%s]\n'
    over = '{ is = "state", of = [1, 3], bit = 0, width = 2 }, { is = "counter", bit = 5, width = 2 }'
    assert "frame S: counter 1 lies on state 3" in complaints(SMALL + frame % over)
    outside = '{ is = "level", of = [1, 2], bit = 0, width = 8 }'
    assert "frame S: level 2 lies outside its 1 bytes" in complaints(SMALL + frame % outside)


def test_a_missing_file_is_one_clear_message() -> None:
    with pytest.raises(UsageError, match="cannot read the tables"):
        load_tables("nowhere.toml")


def test_codes_of_what_is_heard_are_numbers_each_told_with_its_line() -> None:
    heard = '[[heard]]\nis = "key"\nid = 1\nbytes = 2\ncodes = { action = %s }\n'
    line = (SMALL + heard).count("\n")
    assert f"x.toml:{line}: error: [[heard]] number 1 codes has action = 3 - expected a table" in complaints(
        SMALL + heard % "3"
    )
    said = complaints(SMALL + heard % '{ x = 1, 5 = "a" }')
    assert f"x.toml:{line}: error: 'x' is no raw value" in said
    assert f"x.toml:{line}: error: [[heard]] number 1 codes has 5 = 'a' - expected a whole number" in said
