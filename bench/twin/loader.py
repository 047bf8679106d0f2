"""Tables from TOML: everything wrong is reported together, with its line. Format: docs/twin-tables.md."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path

from bench.core.errors import Complaint, UsageError
from bench.twin import tables as t
from bench.twin.check import check
from bench.twin.rows import read_tables
from bench.twin.toml_rows import Row, places

MOST_BYTES = 2_000_000


def boats() -> Mapping[str, Path]:
    """The tables that come with the package, by name."""
    folder = Path(__file__).parent / "boats"
    return {p.stem: p for p in sorted(folder.glob("*.toml"))}


def load_tables(path: str | Path) -> t.Tables:
    """Tables of a file. Raises UsageError with every complaint."""
    path = Path(path)
    try:
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except OSError as e:
        raise UsageError(Complaint(f"cannot read the tables: {e.strerror or e}", str(path))) from e
    if len(data) > MOST_BYTES:
        expected = f"at most {MOST_BYTES:,} bytes"
        raise UsageError(Complaint("too big for tables", str(path), expected=expected))
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as e:
        raise UsageError(Complaint("not a text file", str(path), expected="tables in UTF-8")) from e
    return parse_tables(text, path)


def parse_tables(text: str, path: str | Path = "") -> t.Tables:
    """Tables of a text; `path` is for messages and for `extends`. Raises UsageError."""
    name = str(path)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as e:
        raise UsageError(Complaint(f"not TOML: {e}", name)) from e
    complaints: list[Complaint] = []
    top = Row(data, "", 0, name, places(text), complaints)
    if top.integer("tables", None, 1, 1 << 30) != 1:
        top.complain("tables of another version", "tables", "tables = 1")
    base = load_tables(Path(path).parent / top.text("extends")) if "extends" in data else None
    top.known.append("extends")
    made = read_tables(top, base)
    top.done()
    complaints.extend(check(made, name) if not complaints else ())
    if complaints:
        raise UsageError(complaints)
    return made
