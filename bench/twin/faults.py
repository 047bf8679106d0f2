"""A seeded defect: a kind and its argument, applied to the tables or to what a box can suffer.

What each kind is expected to end in, boat by boat, is data: faults.toml beside this file.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from bench.core.errors import Complaint, UsageError
from bench.twin.fault_box import BOX_FAULTS
from bench.twin.fault_shed import SHED_FAULTS
from bench.twin.fault_tables import TABLE_FAULTS
from bench.twin.quirks import Quirks
from bench.twin.tables import Tables
from bench.twin.toml_rows import nearest

FAIL, INCONCLUSIVE, NOT_DISTINGUISHABLE = "fail", "inconclusive", "not distinguishable"
_APPLY = {**TABLE_FAULTS, **SHED_FAULTS, **BOX_FAULTS}


@dataclass(frozen=True, slots=True)
class Expected:
    """What a run on a boat must end in with this argument.

    `subjects`: for fail, circuits, keys (`panel helm 3`), panels or boxes of which one must be named.
    `reason`: for the other outcomes, why.
    """

    argument: str
    outcome: str  # fail | inconclusive | not distinguishable
    subjects: tuple[str, ...] = ()
    reason: str = ""

    def words(self) -> str:
        """`fail: bilge_aft`, or the outcome and its reason."""
        return f"{self.outcome}: {', '.join(self.subjects) or self.reason}"


@dataclass(frozen=True, slots=True)
class FaultKind:
    """A kind of defect. `expected`: per boat where it applies, the default argument and its outcome."""

    kind: str
    about: str
    argument: str  # help for the argument
    where: str  # tables | firmware | wiring | sensor | bus
    expected: Mapping[str, Expected] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Fault:
    """One seeded defect; an empty argument takes the boat's default."""

    kind: str
    argument: str = ""

    @classmethod
    def parse(cls, text: str) -> Fault:
        """From `kind` or `kind:argument`. Raises UsageError with the nearest right kind."""
        kind, _, argument = text.partition(":")
        known(kind)
        return cls(kind, argument.strip())

    def apply(self, tables: Tables, quirks: Quirks) -> Tables:
        """The defective tables; firmware, wiring, sensor and bus defects are noted in `quirks`.

        Raises: UsageError when the argument does not fit the boat.
        """
        kind = known(self.kind)
        argument = self.argument or default_argument(kind, tables.name)
        parts = [p.strip() for p in argument.split("/")]
        try:
            if any(p.lower().lstrip("+-") in ("nan", "inf", "infinity") for p in parts):
                raise ValueError
            _check_ranges(kind.argument.split("/"), parts)
            return _APPLY[self.kind](tables, quirks, parts)
        except (KeyError, IndexError, ValueError) as e:
            said = str(e.args[0]) if e.args and isinstance(e, ValueError) else ""
            if not said or said.startswith(("could not convert", "invalid literal")):
                said = f"{argument!r} does not fit"
            text = f"fault {self.kind}: {said}"
            raise UsageError(Complaint(text, expected=kind.argument, advice=_example(kind))) from e


RANGES = {
    "MILLISECONDS": (0.0, 86_400_000.0),
    "SECONDS": (0.0, 86_400.0),
    "PERCENT": (0.0, 100.0),
    "PERCENT too high": (-100.0, 1000.0),
    "SHARE": (0.0, 1.0),
    "OHM": (0.0, 1e6),
    "AMPERE": (-100.0, 100.0),
    "TIMES": (0.01, 100.0),
}


def _check_ranges(words: Sequence[str], parts: Sequence[str]) -> None:
    """Raises ValueError with what would be right."""
    for word, part in zip(words, parts, strict=False):
        limits = RANGES.get(word) or RANGES.get(word.split(" ")[0])
        if limits is not None and not limits[0] <= float(part) <= limits[1]:
            low, high = limits
            raise ValueError(f"{part} is out of range: {word} is from {low:.10g} to {high:.10g}")


def default_argument(kind: FaultKind, boat: str) -> str:
    """The argument a boat has for a kind. Raises UsageError when it has none."""
    name = boat.lower()
    if name not in kind.expected:
        text = f"fault {kind.kind} has no argument of its own for {boat}"
        raise UsageError(Complaint(text, expected=kind.argument, advice=_example(kind)))
    return kind.expected[name].argument


def _example(kind: FaultKind) -> str:
    for boat, expected in kind.expected.items():
        return f"for instance on {boat}: {kind.kind}:{expected.argument}"
    return ""


def known(kind: str) -> FaultKind:
    """The kind of that name. Raises UsageError with the nearest right one."""
    kinds = fault_kinds()
    if kind not in kinds:
        advice = nearest(kind, kinds) or "see: hardstand twin --faults"
        raise UsageError(Complaint(f"unknown fault {kind!r}", advice=advice))
    return kinds[kind]


@cache
def fault_kinds() -> Mapping[str, FaultKind]:
    """Every kind of defect the twin can have, by name."""
    path = Path(__file__).with_name("faults.toml")
    data: Mapping[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
    return {name: _kind(name, entry) for name, entry in data.items()}


def _kind(name: str, entry: Mapping[str, Any]) -> FaultKind:
    boats = {k: v for k, v in entry.items() if isinstance(v, dict)}
    expected = {
        boat: Expected(v["argument"], v["outcome"], tuple(v.get("subjects", ())), v.get("reason", ""))
        for boat, v in boats.items()
    }
    return FaultKind(name, entry["about"], entry["argument"], entry["where"], expected)
