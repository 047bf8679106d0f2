"""Faults of a DBC file that make a bench see the wrong thing, each with its line.

A light scanner of the statements BO_, SG_ and VAL_; cantools does the real reading afterwards.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from bench.core.errors import Complaint

from .nearest import nearest

_BO = re.compile(r"BO_\s+(\d+)\s+(\w+)\s*:\s*(\d+)\s+(\w+)\s*$")
_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_SG = re.compile(
    r"SG_\s+(\w+)\s*(M|m\d+M?)?\s*:\s*(\d+)\|(\d+)@([01])([-+])\s*"
    rf"\(\s*({_NUMBER})\s*,\s*({_NUMBER})\s*\)\s*\[\s*({_NUMBER})\s*\|\s*({_NUMBER})\s*\]\s*"
    r'"((?:[^"\\]|\\.)*)"\s*(\w.*)?$'
)
_VAL = re.compile(r"VAL_\s+(\d+)\s+(\w+)\s*((?:.|\n)*?);\s*$")
_LABEL = re.compile(r'([-+]?\d+)\s+"((?:[^"\\]|\\.)*)"')
_ENDED = (
    "VAL_",
    "CM_",
    "BA_",
    "BA_DEF_",
    "BA_DEF_DEF_",
    "BO_TX_BU_",
    "SG_MUL_VAL_",
    "SIG_VALTYPE_",
    "SIG_GROUP_",
    "EV_",
)
UNBOUND_SIGNALS = "VECTOR__INDEPENDENT_SIG_MSG"  # the format's place for signals without a message


@dataclass(slots=True)
class ScannedSignal:
    name: str
    mux: str
    start: int
    size: int
    big: bool
    scale: float
    line: int

    def bits(self) -> list[int]:
        """Bit positions in the payload, bit 0 of byte 0 first."""
        if not self.big:
            return list(range(self.start, self.start + self.size))
        first = self.start // 8 * 8 + 7 - self.start % 8
        return [k // 8 * 8 + 7 - k % 8 for k in range(first, first + self.size)]


@dataclass(slots=True)
class ScannedMessage:
    raw_id: int
    name: str
    length: int
    line: int
    signals: list[ScannedSignal] = field(default_factory=list)


@dataclass(slots=True)
class SourceLines:
    """Line of each message and of each `Message.Signal`."""

    messages: dict[str, int] = field(default_factory=dict)
    signals: dict[str, int] = field(default_factory=dict)


class _Lint:
    def __init__(self, path: str) -> None:
        self.path = path
        self.complaints: list[Complaint] = []
        self.messages: list[ScannedMessage] = []
        self.labels: list[tuple[int, int, str, str]] = []  # line, id, signal, rest
        self.nested: set[int] = set()  # identifiers with multiplexers inside others

    def say(
        self, line: int | None, text: str, *, expected: str = "", advice: str = "", severity: str = "error"
    ) -> None:
        self.complaints.append(
            Complaint(text, path=self.path, line=line, expected=expected, advice=advice, severity=severity)
        )


def lint_dbc(text: str, path: str) -> tuple[SourceLines, list[Complaint]]:
    """Lines of messages and signals, and every complaint about the text, in order of line."""
    lint = _Lint(path)
    _scan(lint, text)
    if not lint.messages and not lint.complaints:
        lint.say(1, "the file defines no message", expected="BO_ lines with SG_ lines beneath them")
    _check_messages(lint)
    _check_labels(lint)
    lines = SourceLines(
        {m.name: m.line for m in lint.messages},
        {f"{m.name}.{s.name}": s.line for m in lint.messages for s in m.signals},
    )
    return lines, sorted(lint.complaints, key=lambda c: c.line or 0)


def _statements(text: str) -> Iterator[tuple[int, str, bool]]:
    """First line number, text, and whether its strings are closed; a string may hold line ends."""
    held, first = "", 0
    for number, line in enumerate(text.split("\n"), start=1):
        if not held:
            first = number
        held = f"{held}\n{line}" if held else line
        if held.replace('\\"', "").count('"') % 2 == 0:
            yield first, held, True
            held = ""
    if held:
        yield first, held, False


def _scan(lint: _Lint, text: str) -> None:
    last = len(text.rstrip().split("\n"))
    for number, raw, closed in _statements(text):
        line = raw.strip()
        word = re.match(r"\w*", line)
        head = word.group() if word else ""
        if not closed:
            lint.say(number, "a text in quotes never ends: the file is cut off here")
        elif head == "BO_":
            _scan_message(lint, number, line, number >= last)
        elif head == "SG_" and (":" in line or number >= last):
            _scan_signal(lint, number, line, number >= last)
        elif head in _ENDED and not raw.startswith((" ", "\t")):
            if not line.endswith(";"):
                cut = ": the file is cut off here" if number + raw.count("\n") >= last else ""
                lint.say(number, f"this {head} line has no end{cut}", expected='";" at its end')
            elif head == "SG_MUL_VAL_" and (m := re.match(r"SG_MUL_VAL_\s+(\d+)", line)):
                lint.nested.add(int(m[1]))
            elif head == "VAL_" and (m := _VAL.match(line)):
                lint.labels.append((number, int(m[1]), m[2], m[3]))
        elif number >= last and any(word.startswith(line) and line for word in ("BO_", "SG_", *_ENDED)):
            lint.say(number, "half a word: the file is cut off here")


def _scan_message(lint: _Lint, number: int, line: str, is_last: bool) -> None:
    m = _BO.match(line)
    if m is None:
        cut = ": the file is cut off here" if is_last else ""
        lint.say(number, f"this message line cannot be read{cut}", expected="BO_ ID NAME: LENGTH SENDER")
        return
    lint.messages.append(ScannedMessage(int(m[1]), m[2], int(m[3]), number))


def _scan_signal(lint: _Lint, number: int, line: str, is_last: bool) -> None:
    m = _SG.match(line)
    if m is None or not m[12]:
        cut = ": the file is cut off here" if is_last else ""
        lint.say(
            number,
            f"this signal line cannot be read{cut}",
            expected='SG_ NAME : START|SIZE@ORDER SIGN (FACTOR,OFFSET) [MIN|MAX] "UNIT" RECEIVERS',
        )
        return
    if not lint.messages:
        lint.say(number, f'signal "{m[1]}" stands before any message')
        return
    scanned = ScannedSignal(m[1], m[2] or "", int(m[3]), int(m[4]), m[5] == "0", float(m[7]), number)
    lint.messages[-1].signals.append(scanned)


def _check_messages(lint: _Lint) -> None:
    ids: dict[int, ScannedMessage] = {}
    names: dict[str, ScannedMessage] = {}
    for m in lint.messages:
        if m.name == UNBOUND_SIGNALS:
            continue
        if other := ids.get(m.raw_id):
            lint.say(m.line, f'message "{m.name}" has the identifier of "{other.name}" (line {other.line})')
        if other := names.get(m.name):
            lint.say(m.line, f'a message "{m.name}" is already there (line {other.line})')
        ids.setdefault(m.raw_id, m)
        names.setdefault(m.name, m)
        _check_id(lint, m)
        _check_signals(lint, m)


def _check_id(lint: _Lint, m: ScannedMessage) -> None:
    extended, can_id = m.raw_id >> 31, m.raw_id & 0x7FFFFFFF
    if m.raw_id > 0xFFFFFFFF or can_id > (0x1FFFFFFF if extended else 0x7FF):
        lint.say(
            m.line,
            f'message "{m.name}" has the identifier {m.raw_id}, which is none',
            expected="0 to 2047, or 2147483648 plus a 29-bit identifier",
        )
    if m.length > 8:
        lint.say(
            m.line,
            f'message "{m.name}" has {m.length} bytes; a classic CAN frame holds 8',
            advice="the bench cannot use its signals",
            severity="warning",
        )


def _check_signals(lint: _Lint, m: ScannedMessage) -> None:
    names: dict[str, int] = {}
    has_switch = any(s.mux == "M" for s in m.signals)
    for s in m.signals:
        if s.name in names:
            lint.say(s.line, f'message "{m.name}" already has a signal "{s.name}" (line {names[s.name]})')
        names.setdefault(s.name, s.line)
        if s.scale == 0:
            lint.say(s.line, f'signal "{s.name}" has the factor 0: every value would read alike')
        if not 1 <= s.size <= 64:
            lint.say(s.line, f'signal "{s.name}" has {s.size} bits', expected="1 to 64")
        elif any(not 0 <= b < 8 * m.length for b in s.bits()):
            lint.say(s.line, f'signal "{s.name}" does not fit into the {m.length} bytes of "{m.name}"')
        if s.mux not in ("", "M") and not has_switch:
            lint.say(
                s.line,
                f'signal "{s.name}" is multiplexed ({s.mux}), but "{m.name}" has no multiplexer',
                expected="one signal of it marked M",
            )
    switches = [s for s in m.signals if s.mux == "M"]
    if len(switches) > 1 and m.raw_id not in lint.nested:
        lint.say(switches[1].line, f'message "{m.name}" has a second multiplexer "{switches[1].name}"')
    _check_overlaps(lint, m)


def _check_overlaps(lint: _Lint, m: ScannedMessage) -> None:
    taken: list[tuple[ScannedSignal, set[int]]] = []
    for s in m.signals:
        bits = set(s.bits()) if 1 <= s.size <= 64 else set()
        page = s.mux.rstrip("M")
        for other, theirs in taken:
            both = page and other.mux.rstrip("M")
            apart = both and (
                page != other.mux.rstrip("M") or m.raw_id in lint.nested
            )  # then cantools judges
            if not apart and bits & theirs:
                lint.say(
                    s.line, f'signal "{s.name}" overlaps "{other.name}" (line {other.line}) in "{m.name}"'
                )
                break
        taken.append((s, bits))


def _check_labels(lint: _Lint) -> None:
    by_id = {m.raw_id: m for m in lint.messages}
    for line, raw_id, signal, rest in lint.labels:
        message = by_id.get(raw_id)
        if message is None:
            lint.say(line, f"value labels for a message {raw_id} that is not there")
            continue
        sizes = {s.name: s.size for s in message.signals}
        if signal not in sizes:
            lint.say(
                line,
                f'value labels for a signal "{signal}" that "{message.name}" does not have',
                advice=nearest(signal, sizes),
            )
        seen: dict[str, str] = {}
        values: set[str] = set()
        for value, label in _LABEL.findall(rest):
            if label in seen:
                lint.say(line, f'"{signal}" labels both {seen[label]} and {value} "{label}"')
            if value in values:
                lint.say(line, f'"{signal}" labels the value {value} twice')
            seen.setdefault(label, value)
            values.add(value)
