"""A supply's command words, read from a small file."""

from __future__ import annotations

import string
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite
from pathlib import Path

from bench.core.errors import Complaint, UsageError
from bench.core.link import Meter

VERSION = 1
SHIPPED = Path(__file__).parent / "dialects"
SET = ("volts", "limit_a", "output", "clear")
ASK = ("identity", "volts", "limit_a", "output", "measured_v", "measured_a", "error")
TABLES = {"line": ("baud", "end", "pause_ms"), "set": SET, "ask": ASK, "answers": ("on", "off")}
METER = ("detects_a", "lag_ms")  # optional: what the maker states of the measured current
LAG_MS = 500.0  # assumed where no one states how old a reading may be: slower than most supplies renew theirs
ENDS = ("\n", "\r", "\r\n")


@dataclass(frozen=True, slots=True)
class Dialect:
    """`write`: commands, with {value} where they take one; `ask`: queries; `on`, `off`: what a query of the
    output may answer. `meter`: what is stated of the measured current, if anything."""

    name: str
    baud: int
    end: str
    pause_ms: float
    write: Mapping[str, str]
    ask: Mapping[str, str]
    on: frozenset[str]
    off: frozenset[str]
    meter: Meter | None = None


def load_dialect(name: str = "scpi") -> Dialect:
    """A shipped dialect by its name, or the file `name`, which ends in .toml.

    Raises: UsageError with everything that is wrong with the file.
    """
    path = Path(name) if name.endswith(".toml") else SHIPPED / f"{name}.toml"
    try:
        tree = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as e:
        known = ", ".join(sorted(p.stem for p in SHIPPED.glob("*.toml")))
        text = f"supply dialect {name} cannot be read: {e.strerror}"
        raise UsageError(Complaint(text, expected=f"{known}, or a file that ends in .toml")) from e
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as e:
        raise UsageError(Complaint(f"supply dialect is no TOML: {e}", path=str(path))) from e
    wrong = [Complaint(text, path=str(path), expected=right) for text, right in _wrong(tree)]
    if wrong:
        raise UsageError(wrong)
    line, answers = tree["line"], tree["answers"]
    stated = tree.get("meter")
    meter = Meter(float(stated["detects_a"]), float(stated.get("lag_ms", LAG_MS))) if stated else None
    return Dialect(
        tree["name"], line["baud"], line["end"], float(line["pause_ms"]), tree["set"], tree["ask"],
        frozenset(answers["on"]), frozenset(answers["off"]), meter,
    )  # fmt: skip


def _wrong(tree: Mapping[str, object]) -> list[tuple[str, str]]:
    """(what is wrong, what would be right) of a dialect's tables."""
    if tree.get("dialect_version") != VERSION:
        return [(f"dialect_version is {tree.get('dialect_version')!r}", str(VERSION))]
    out = []
    known = {"dialect_version", "name", "meter", *TABLES}
    out += [(f'unknown key "{key}"', ", ".join(sorted(known))) for key in tree if key not in known]
    if not isinstance(tree.get("name"), str):
        out.append(("name is missing", "a text"))
    out += _wrong_meter(tree.get("meter", {"detects_a": 1}))
    for table, keys in TABLES.items():
        found = tree.get(table)
        if not isinstance(found, dict):
            out.append((f"table [{table}] is missing", f"keys {', '.join(keys)}"))
            continue
        out += [(f'unknown key "{table}.{key}"', ", ".join(keys)) for key in found if key not in keys]
        for key in keys:
            right = _fault_of(table, key, found.get(key))
            if right:
                out.append((f"{table}.{key} is {found.get(key)!r}", right))
    return out


def _wrong_meter(found: object) -> list[tuple[str, str]]:
    if not isinstance(found, dict):
        return [("meter is no table", f"keys {', '.join(METER)}")]
    out = [(f'unknown key "meter.{key}"', ", ".join(METER)) for key in found if key not in METER]
    if not _is_number(found.get("detects_a")) or not found["detects_a"] > 0:
        out.append((f"meter.detects_a is {found.get('detects_a')!r}", "a number above 0, in A"))
    if not _is_number(found.get("lag_ms", 0)) or found.get("lag_ms", 0) < 0:
        out.append((f"meter.lag_ms is {found.get('lag_ms')!r}", "a number, at least 0, in ms"))
    return out


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)


def _fault_of(table: str, key: str, value: object) -> str:
    """What would be right, empty when it is."""
    if table == "answers":
        good = isinstance(value, list) and bool(value) and all(isinstance(v, str) for v in value)
        return "" if good else "a list of texts"
    if key == "end":
        return "" if value in ENDS else "LF, CR or CR LF"
    if table == "line":
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if key == "baud":
            return "" if number and isinstance(value, int) and value > 0 else "a whole number above 0"
        return "" if number and isinstance(value, int | float) and value >= 0 else "a number, at least 0"
    if not isinstance(value, str) or not value or not value.isascii():
        return "a command in ASCII"
    wants = table == "set" and key != "clear"
    return _fault_of_command(value, wants)


def _fault_of_command(text: str, wants_value: bool) -> str:
    try:
        fields = [name for _, name, _, _ in string.Formatter().parse(text) if name is not None]
        text.format(value=1)
    except (ValueError, KeyError, IndexError):
        return "a command in which {value} stands for the number"
    if fields != (["value"] if wants_value else []):
        return "a command with {value} once" if wants_value else "a command without {}"
    return ""
