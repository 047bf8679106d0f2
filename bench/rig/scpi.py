"""What a SCPI instrument answers, read strictly.

Source: SCPI-1999 volume 2 chapter 21 (error queue, classes of codes), IEEE 488.2 (identity, status bits).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

_ERROR = re.compile(r'\s*([+-]?\d{1,5})\s*,\s*"((?:[^"]|"")*)"\s*')
_CLASSES = (
    (range(-199, -99), "command", 5), (range(-299, -199), "execution", 4), (range(-399, -299), "device", 3),
    (range(1, 32768), "device", 3), (range(-499, -399), "query", 2), (range(-699, -599), "user request", 6),
    (range(-899, -799), "operation complete", 0),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class ErrorAnswer:
    """One entry of the error queue; code 0: the queue was empty."""

    code: int
    text: str

    @property
    def kind(self) -> str:
        """command | execution | device | query | ... | unknown, by the code's class."""
        return next((kind for codes, kind, _ in _CLASSES if self.code in codes), "unknown")

    @property
    def event_bit(self) -> int | None:
        """The bit of the standard event status register that such an error sets; None: none."""
        return next((bit for codes, _, bit in _CLASSES if self.code in codes), None)

    def words(self) -> str:
        """For people."""
        return f'{self.kind} error {self.code} "{self.text}"'


def parse_error(answer: str) -> ErrorAnswer | None:
    """`-222,"Data out of range"`; None for anything else."""
    found = _ERROR.fullmatch(answer)
    return ErrorAnswer(int(found[1]), found[2].replace('""', '"')) if found else None


def parse_number(answer: str) -> float | None:
    """A decimal number; None for anything else, also for SCPI's not-a-number 9.91E37."""
    try:
        value = float(answer)
    except ValueError:
        return None
    return value if math.isfinite(value) and abs(value) < 9e36 else None


@dataclass(frozen=True, slots=True)
class Identity:
    """The four fields of `*IDN?`; serial and firmware are "0" where the instrument has none."""

    maker: str
    model: str
    serial: str
    firmware: str


def parse_identity(answer: str) -> Identity | None:
    """Four fields between commas; None otherwise."""
    fields = [f.strip() for f in answer.split(",")]
    if len(fields) != 4 or not fields[0] or not fields[1]:
        return None
    return Identity(*fields)
