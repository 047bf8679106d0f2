"""The binding file as typed data: which signal of a DBC is which channel, key, lamp or sensor.

What each key means stands in docs/binding.md.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

from bench.core.errors import DefinitionError

from .nearest import nearest
from .sheet import Part, Sheet, read_sheet
from .words import PER_BOX, PER_CHANNEL, WORDS

VERSION = 1
_PLACE = re.compile(r"\{(channel|key|input)(?::0?(\d))?\}")
Spans = tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class SignalName:
    """A name as written, perhaps with `{channel:02}`; the place it was written."""

    text: str
    part: Part

    def fill(self, number: int) -> str:
        """The name for one channel, key or input."""
        return _PLACE.sub(lambda m: f"{number:0{m[2] or 1}d}", self.text)


@dataclass(frozen=True, slots=True)
class Rule:
    """How one kind of signal is read. `words`: raw range -> number; empty: a scaled quantity.

    `numbers`: the channels, keys or inputs it is for; empty: all.
    """

    part: Part
    names: tuple[SignalName, ...]
    numbers: Spans = ()
    named: Mapping[int, SignalName] = field(default_factory=dict)
    words: tuple[tuple[int, int, int], ...] = ()
    not_available: Spans = ()
    error: Spans = ()
    times: float = 1.0


@dataclass(frozen=True, slots=True)
class AckRule:
    part: Part
    source: SignalName
    key: SignalName
    counter: SignalName
    sources: Mapping[int, str]  # raw source -> node; empty: the source address


@dataclass(frozen=True, slots=True)
class KeyRule:
    """Keys of one panel or screen. `style` event: key, action, counter; bits: one signal a key."""

    part: Part
    node: str
    style: str
    rule: Rule | None = None
    key: SignalName | None = None
    action: SignalName | None = None
    counter: SignalName | None = None
    pressed: int = 1
    released: int = 0


@dataclass(frozen=True, slots=True)
class AliveRule:
    part: Part
    node: str
    message: str | None
    counter: SignalName | None
    keys_down: SignalName | None


@dataclass(frozen=True, slots=True)
class InputRule:
    rule: Rule
    counter: SignalName | None


@dataclass(frozen=True, slots=True)
class WakeRule:
    part: Part
    message: str | None
    counter: SignalName | None
    sender: str  # node


@dataclass(slots=True)
class Binding:
    """One box's binding. Node names: "box", "panel NAME", "screen NAME", "sensors"."""

    sheet: Sheet
    match: str = "exact"
    unused_bits: int = 1
    sources: dict[str, int] = field(default_factory=dict)
    source_parts: dict[str, Part] = field(default_factory=dict)
    reports: dict[str, tuple[Rule, ...]] = field(default_factory=dict)
    lamps: dict[str, tuple[Rule, ...]] = field(default_factory=dict)
    backlights: dict[str, tuple[Rule, ...]] = field(default_factory=dict)
    counters: tuple[SignalName, ...] = ()
    counter_pages: str | None = None  # of a multiplexed message: shared | own
    identity: tuple[tuple[str, SignalName, str], ...] = ()  # word, signal, version | hex | number
    ack: AckRule | None = None
    keys: dict[str, KeyRule] = field(default_factory=dict)
    alive: dict[str, AliveRule] = field(default_factory=dict)
    inputs: InputRule | None = None
    wake: WakeRule | None = None


def load_binding(path: Path) -> Binding:
    """Reads a binding file.

    **Raises:** DefinitionError with every complaint, each with line and column.
    """
    sheet = read_sheet(path)
    top = sheet.mapping(
        sheet.root,
        ("hardstand_binding", "match", "unused_bits", "sources", "reports", "controls"),
        ("hardstand_binding", "match"),
    )
    if version := top.get("hardstand_binding"):
        _check_version(sheet, version)
    binding = Binding(sheet)
    if part := top.get("match"):
        binding.match = sheet.choice(part, ("exact", "pgn"))
    if part := top.get("unused_bits"):
        binding.unused_bits = sheet.integer(part, 0, 1)
    if part := top.get("sources"):
        _read_sources(binding, part)
    if part := top.get("reports"):
        _read_reports(binding, part)
    if part := top.get("controls"):
        _read_controls(binding, part)
    if sheet.complaints:
        raise DefinitionError(sheet.complaints)
    return binding


def _check_version(sheet: Sheet, part: Part) -> None:
    version = sheet.integer(part)
    if version != VERSION:
        sheet.say(
            part,
            f"this binding is of version {version}; this program reads version {VERSION}",
            advice="use a newer program" if version > VERSION else "",
        )
        raise DefinitionError(sheet.complaints)


def _read_sources(b: Binding, part: Part) -> None:
    for node, value in b.sheet.mapping(part).items():
        _check_node(b.sheet, value, node, ("box", "sensors"))
        b.sources[node] = b.sheet.integer(value, 0, 255)
        b.source_parts[node] = value


def _check_node(sheet: Sheet, part: Part, node: str, others: tuple[str, ...] = ()) -> None:
    if (
        node not in others
        and not re.match(r"(panel|screen) \S", node)
        and not ("box" in others and re.match(r"box [1-9]\d*$", node))
    ):
        also = "".join(f", {o}" for o in others)
        sheet.say(part, f'"{node}" in {part.where} is no node', expected=f"panel NAME, screen NAME{also}")


_RULE_KEYS = ("signal", "values", "not_available", "error", "times")


def _name(sheet: Sheet, part: Part, placeholder: str | None = None) -> SignalName:
    text = sheet.text(part)
    found = _PLACE.findall(text)
    rest = _PLACE.sub("", text)
    if not re.fullmatch(r"\w*(\.\w*)?", rest) or len(found) > 1:
        sheet.say(
            part,
            f'"{text}" is no signal name',
            expected="SIGNAL, MESSAGE.SIGNAL, or with one {channel:02} in it",
        )
    elif found and found[0][0] != placeholder:
        wanted = f"{{{placeholder}}}" if placeholder else "a name without braces"
        sheet.say(part, f'"{text}" counts in {{{found[0][0]}}}, which means nothing here', expected=wanted)
    return SignalName(text, part)


def _rules(sheet: Sheet, part: Part, kind: str, placeholder: str) -> tuple[Rule, ...]:
    """One rule, or a list of rules that are each `for` some numbers."""
    if part.items is None:
        return (_rule(sheet, part, kind, placeholder),)
    rules = tuple(_rule(sheet, p, kind, placeholder) for p in part.items)
    for rule in rules[:-1]:
        if not rule.numbers:
            sheet.say(
                rule.part, f"{rule.part.where} leaves nothing for the rules after it", expected='"for: 1..12"'
            )
    return rules


def _rule(sheet: Sheet, part: Part, kind: str, placeholder: str | None, extra: tuple[str, ...] = ()) -> Rule:
    numbered = ("for", "named") if placeholder else ()
    keys = sheet.mapping(part, (*_RULE_KEYS, *numbered, *extra))
    if "signal" not in keys and "named" not in keys:
        sheet.say(part, f'{part.where} lacks "signal"')
    names = (
        tuple(_name(sheet, p, placeholder) for p in sheet.list_of(keys["signal"])) if "signal" in keys else ()
    )
    named: dict[int, SignalName] = {}
    if "named" in keys:
        for number, value in sheet.mapping(keys["named"]).items():
            named[sheet.span_of(value, number)[0]] = _name(sheet, value)
    for name in names:
        if placeholder and not _PLACE.search(name.text):
            sheet.say(
                name.part,
                f'"{name.text}" would stand for every {placeholder}',
                expected=f"{{{placeholder}}} in it",
            )
    rule = Rule(
        part=part,
        names=names,
        numbers=_spans(sheet, keys.get("for")),
        named=named,
        words=_words(sheet, part, keys.get("values"), kind),
        not_available=_spans(sheet, keys.get("not_available")),
        error=_spans(sheet, keys.get("error")),
        times=sheet.number(keys["times"]) if "times" in keys else 1.0,
    )
    _check_apart(sheet, rule)
    return rule


def _check_apart(sheet: Sheet, rule: Rule) -> None:
    """Complains about a raw value that means two things."""
    spans = [(lo, hi) for lo, hi, _ in rule.words] + list(rule.not_available) + list(rule.error)
    spans.sort()
    for (_, hi), (lo, _) in pairwise(spans):
        if lo <= hi:
            sheet.say(rule.part, f"the raw value {lo} means two things in {rule.part.where}")
            return


def _spans(sheet: Sheet, part: Part | None) -> Spans:
    return () if part is None else tuple(sheet.span(p) for p in sheet.list_of(part))


def _words(sheet: Sheet, rule: Part, part: Part | None, kind: str) -> tuple[tuple[int, int, int], ...]:
    words = WORDS.get(kind)
    if words is None:
        if part is not None:
            sheet.say(part, f"{kind} is a quantity; it has no words for values")
        return ()
    if part is None:
        sheet.say(rule, f'{rule.where} lacks "values"', expected=f"raw value: {' | '.join(words)}")
        return ()
    found: list[tuple[int, int, int]] = []
    for raw, value in sheet.mapping(part).items():
        word = sheet.text(value)
        if word not in words:
            sheet.say(
                value,
                f'"{word}" means nothing for {kind}',
                expected=" or ".join(words),
                advice=nearest(word, words),
            )
            continue
        lo, hi = sheet.span_of(value, raw)
        found.append((lo, hi, words[word]))
    return tuple(found)


def _read_reports(b: Binding, part: Part) -> None:
    sheet = b.sheet
    allowed = (*PER_CHANNEL, "lamp", "backlight", "sensor", *PER_BOX, "counter", "identity", "ack")
    for kind, value in sheet.mapping(part, allowed).items():
        if kind in PER_CHANNEL:
            b.reports[kind] = _rules(sheet, value, kind, "channel")
        elif kind == "sensor":
            b.reports[kind] = _rules(sheet, value, kind, "input")
        elif kind in PER_BOX:
            b.reports[kind] = (_rule(sheet, value, kind, None),)
        elif kind == "lamp":
            for node, rule in sheet.mapping(value).items():
                _check_node(sheet, rule, node)
                b.lamps[node] = _rules(sheet, rule, kind, "key")
        elif kind == "backlight":
            for node, rule in sheet.mapping(value).items():
                _check_node(sheet, rule, node)
                b.backlights[node] = (_rule(sheet, rule, kind, None),)
        elif kind == "counter":
            keys = sheet.mapping(value, ("signal", "pages"), ("signal",))
            if "signal" in keys:
                b.counters = tuple(_name(sheet, p) for p in sheet.list_of(keys["signal"]))
            if "pages" in keys:
                b.counter_pages = sheet.choice(keys["pages"], ("shared", "own"))
        elif kind == "identity":
            b.identity = _identity(sheet, value)
        elif kind == "ack":
            b.ack = _ack(sheet, value)


def _identity(sheet: Sheet, part: Part) -> tuple[tuple[str, SignalName, str], ...]:
    found = []
    for word, value in sheet.mapping(part, ("firmware", "configuration", "serial")).items():
        keys = sheet.mapping(value, ("signal", "show"), ("signal", "show"))
        if "signal" in keys and "show" in keys:
            show = sheet.choice(keys["show"], ("version", "hex", "number"))
            found.append((word, _name(sheet, keys["signal"]), show))
    return tuple(found)


def _ack(sheet: Sheet, part: Part) -> AckRule | None:
    keys = sheet.mapping(part, ("source", "key", "counter", "sources"), ("source", "key", "counter"))
    if not {"source", "key", "counter"} <= set(keys):
        return None
    sources: dict[int, str] = {}
    if "sources" in keys:
        for raw, value in sheet.mapping(keys["sources"]).items():
            _check_node(sheet, value, sheet.text(value))
            sources[sheet.span_of(value, raw)[0]] = sheet.text(value)
    names = [_name(sheet, keys[k]) for k in ("source", "key", "counter")]
    return AckRule(part, names[0], names[1], names[2], sources)


def _read_controls(b: Binding, part: Part) -> None:
    sheet = b.sheet
    keys = sheet.mapping(part, ("keys", "alive", "sensors", "wake"))
    if "keys" in keys:
        for node, value in sheet.mapping(keys["keys"]).items():
            _check_node(sheet, value, node)
            b.keys[node] = _key_rule(sheet, value, node)
    if "alive" in keys:
        for node, value in sheet.mapping(keys["alive"]).items():
            _check_node(sheet, value, node, ("sensors",))
            got = sheet.mapping(value, ("message", "counter", "keys_down"))
            b.alive[node] = AliveRule(value, node, *_message_and(sheet, value, got, "keys_down"))
    if "sensors" in keys:
        rule = _rule(sheet, keys["sensors"], "sensor", "input", ("counter",))
        counter = (keys["sensors"].keys or {}).get("counter")
        b.inputs = InputRule(rule, _name(sheet, counter) if counter else None)
    if "wake" in keys:
        got = sheet.mapping(keys["wake"], ("message", "counter", "from"), ("from",))
        message, counter_name, _ = _message_and(sheet, keys["wake"], got, "")
        sender = sheet.text(got["from"]) if "from" in got else ""
        if sender:
            _check_node(sheet, got["from"], sender)
        b.wake = WakeRule(keys["wake"], message, counter_name, sender)


def _message_and(
    sheet: Sheet, part: Part, got: Mapping[str, Part], other: str
) -> tuple[str | None, SignalName | None, SignalName | None]:
    message = sheet.text(got["message"]) if "message" in got else None
    counter = _name(sheet, got["counter"]) if "counter" in got else None
    second = _name(sheet, got[other]) if other in got else None
    if message is None and counter is None and second is None:
        sheet.say(part, f'{part.where} lacks "message"')
    return message, counter, second


def _key_rule(sheet: Sheet, part: Part, node: str) -> KeyRule:
    keys = part.keys or {}
    style = sheet.choice(keys["style"], ("event", "bits")) if "style" in keys else ""
    if style == "bits":
        rule = _rule(sheet, part, "sensor", "key", ("style", "counter"))
        counter = _name(sheet, keys["counter"]) if "counter" in keys else None
        return KeyRule(part, node, style, rule=rule, counter=counter)
    allowed = ("style", "key", "action", "pressed", "released", "counter")
    keys = dict(sheet.mapping(part, allowed, ("style", "key", "action", "pressed", "released")))
    names = {k: _name(sheet, keys[k]) for k in ("key", "action", "counter") if k in keys}
    raws = {k: sheet.integer(keys[k]) for k in ("pressed", "released") if k in keys}
    if len(raws) == 2 and raws["pressed"] == raws["released"]:
        sheet.say(part, f"{part.where} has the same value for pressed and released")
    return KeyRule(part, node, style or "event", **names, **raws)  # type: ignore[arg-type]
