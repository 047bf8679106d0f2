"""Kittiwake's spec on definitions of somebody else, as its owner would write it."""

from pathlib import Path

from bench.cli.boats import spec_path
from bench.twin import boats

TABLES = str(boats()["kittiwake_untidy"])


def write_untidy(folder: Path) -> str:
    """The path of the file of the shipped boat with two other names in it."""
    text = spec_path("demo").read_text(encoding="utf-8")
    for old, new in (("switchbox.dbc", "untidy.dbc"), ("switchbox.binding.yaml", "untidy.binding.yaml")):
        assert text.count(old) == 1
        text = text.replace(old, new)
    path = folder / "mine.yaml"
    path.write_text(text, encoding="utf-8")
    return str(path)
