"""Reads golden traces and walks them on anything that can be a box. Format: README.md beside this file."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import yaml

HERE = Path(__file__).parent
START_MS = -2000  # every trace begins just woken
BASE_NS = 10_000_000_000  # the instant of a trace's 0
LEVEL_TOL_PCT = 0.5  # one step of 0.4 % and the rounding of what is written here
LAMPS = {"off": 0.0, "on": 1.0, "flashing": 2.0}
FAULTS = {"none": 0.0, "tripped": 1.0, "by_hand": 3.0}
SWITCHED = ("sensor", "by_hand", "overload")
FILE_KEYS = {"about", "spec", "tables", "traces"}
TRACE_KEYS = {"name", "cells", "does"}


class GoldenError(ValueError):
    """A trace file is wrong; the text begins with `file:line:`."""


@dataclass(frozen=True, slots=True)
class See:
    """What must be seen: `what` is level | true | lamp | fault | backlight, in [`lo`, `hi`]."""

    what: str
    subject: str
    lo: float
    hi: float
    text: str


@dataclass(frozen=True, slots=True)
class Step:
    """One line: `ms` from the trace's 0; `args` as the verb needs them."""

    line: int
    ms: float
    verb: str
    args: tuple[Any, ...] = ()
    sees: tuple[See, ...] = ()

    @property
    def t_ns(self) -> int:
        return BASE_NS + round(self.ms * 1e6)


@dataclass(frozen=True, slots=True)
class Trace:
    file: str
    line: int
    name: str
    cells: tuple[str, ...]
    steps: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """One file: `spec` is base.yaml with the file's fragment laid over it, as text."""

    file: str
    about: str
    spec: str
    tables: str
    fragment: Mapping[str, Any]
    traces: tuple[Trace, ...] = field(default=())


class Boxlike(Protocol):
    """What a trace is walked on. Instants in nanoseconds, never backwards."""

    def act(self, t_ns: int, verb: str, args: tuple[Any, ...]) -> None: ...

    def read(self, t_ns: int, see: See) -> tuple[float, float] | None:
        """What it shows now, as an interval; None when this box cannot know it."""
        ...


# -- files


def sheets() -> list[Sheet]:
    """Every trace file beside this one, by name. **Raises:** GoldenError."""
    return [read_sheet(p) for p in sorted(HERE.glob("*.yaml")) if p.name != "base.yaml"]


def read_sheet(path: Path) -> Sheet:
    """One file. **Raises:** GoldenError naming file and line."""
    return parse_sheet(path.read_text("utf-8"), path.name)


def parse_sheet(text: str, file: str) -> Sheet:
    """One file from its text. **Raises:** GoldenError naming file and line."""
    try:
        root = yaml.compose(text, yaml.BaseLoader)
    except yaml.MarkedYAMLError as e:
        line = e.problem_mark.line + 1 if e.problem_mark else 1
        raise GoldenError(f"{file}:{line}: no YAML: {e.problem}") from e
    parts = _mapping(root, file, FILE_KEYS, "file")
    fragment = _plain(parts["spec"]) if "spec" in parts else {}
    base = yaml.load((HERE / "base.yaml").read_text("utf-8"), yaml.BaseLoader)
    traces = tuple(_trace(n, file) for n in parts["traces"].value)
    tables = parts["tables"].value if "tables" in parts else ""
    return Sheet(file, parts["about"].value, flow(lay_over(base, fragment)), tables, fragment, traces)


def _mapping(node: yaml.Node | None, file: str, known: set[str], what: str) -> dict[str, yaml.Node]:
    if not isinstance(node, yaml.MappingNode):
        line = node.start_mark.line + 1 if node else 1
        raise GoldenError(f"{file}:{line}: a {what} must be a mapping with {', '.join(sorted(known))}")
    parts: dict[str, yaml.Node] = {}
    for key, value in node.value:
        if key.value not in known or key.value in parts:
            why = "twice" if key.value in parts else f"unknown; expected {', '.join(sorted(known))}"
            raise GoldenError(f'{file}:{key.start_mark.line + 1}: key "{key.value}" of a {what} is {why}')
        parts[key.value] = value
    return parts


def _plain(node: yaml.Node) -> Any:
    return yaml.constructor.BaseConstructor().construct_object(node, deep=True)


def lay_over(base: Any, fragment: Any) -> Any:
    """`fragment` over `base`: mappings merge, everything else is replaced."""
    if isinstance(base, Mapping) and isinstance(fragment, Mapping):
        keys = [*base, *(k for k in fragment if k not in base)]
        return {k: lay_over(base.get(k), fragment[k]) if k in fragment else base[k] for k in keys}
    return fragment


def flow(value: Any) -> str:
    """YAML text in which each scalar stands as it was written."""
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{flow(k)}: {flow(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(flow(v) for v in value) + "]"
    text = str(value)
    return text if re.fullmatch(r"[\w.+\- ]+", text) else '"' + text.replace('"', '\\"') + '"'


# -- traces


def _trace(node: yaml.Node, file: str) -> Trace:
    parts = _mapping(node, file, TRACE_KEYS, "trace")
    line = node.start_mark.line + 1
    if missing := TRACE_KEYS - parts.keys() - {"cells"}:
        raise GoldenError(f"{file}:{line}: the trace has no {', '.join(sorted(missing))}")
    cells = tuple(c.value for c in parts["cells"].value) if "cells" in parts else ()
    first = parts["does"].start_mark.line + 2
    steps = tuple(_steps(parts["does"].value, file, first))
    if not any(s.verb == "see" for s in steps):
        raise GoldenError(f'{file}:{line}: trace "{parts["name"].value}" sees nothing')
    return Trace(file, line, parts["name"].value, cells, steps)


def _steps(text: str, file: str, first: int) -> Iterator[Step]:
    before = float(START_MS)
    for number, words in enumerate((raw.split() for raw in text.splitlines()), first):
        if not words:
            continue
        try:
            ms = float(words[0])
            steps = list(_step(number, ms, *words[1:]))
        except (ValueError, TypeError) as e:
            raise GoldenError(f'{file}:{number}: cannot read "{" ".join(words)}": {e}') from e
        if ms < before:
            raise GoldenError(f"{file}:{number}: {ms:g} ms comes after {before:g} ms")
        before = max(s.ms for s in steps) if words[1] == "tap" else ms
        yield from steps


def _step(line: int, ms: float, verb: str = "", *words: str) -> Iterator[Step]:
    if verb == "see":
        if not words:
            raise ValueError("see what?")
        yield Step(line, ms, verb, (), tuple(_see(w) for w in words))
    elif verb == "tap":
        (key,) = words
        yield Step(line, ms, "press", parse_key(key))
        yield Step(line, ms + 100, "release", parse_key(key))
    elif verb in ("press", "release", "repeat"):
        (key,) = words
        yield Step(line, ms, verb, parse_key(key))
    elif verb in SWITCHED:
        name, value = words
        yield Step(line, ms, verb, (name, _bit(value)))
    elif verb in ("supply", "shed"):
        (value,) = words
        yield Step(line, ms, verb, (_bit(value),))
    elif verb == "wake":
        if words:
            raise ValueError("wake takes nothing more")
        yield Step(line, ms, verb)
    elif verb in ("lost", "back"):
        kind, name = words
        if kind not in ("panel", "screen", "sensor"):
            raise ValueError("expected panel, screen or sensor and its name")
        yield Step(line, ms, verb, (kind, name))
    else:
        raise ValueError(
            "expected press, release, tap, repeat, sensor, wake, supply, by_hand, overload, lost, back, "
            "shed or see"
        )


def _bit(word: str) -> int:
    if word not in ("0", "1"):
        raise ValueError(f'"{word}" where 0 or 1 is due')
    return int(word)


def parse_key(word: str) -> tuple[str, int]:
    """`p1` -> ("p", 1). **Raises:** ValueError."""
    found = re.fullmatch(r"([a-z]+)(\d+)", word)
    if not found:
        raise ValueError(f'"{word}" where a key such as p1 or s21 is due')
    return found[1], int(found[2])


def _see(word: str) -> See:
    name, equals, value = word.partition("=")
    what, dot, subject = name.partition(".")
    if not dot:
        what, subject = "level", name
    if not equals or what not in ("level", "true", "lamp", "fault", "backlight"):
        raise ValueError(
            f'"{word}" where circuit=, true.circuit=, lamp.key=, fault.circuit= or backlight.panel= is due'
        )
    words = {"lamp": LAMPS, "fault": FAULTS}.get(what)
    if words is not None:
        if value not in words:
            raise ValueError(f'"{value}" where {", ".join(words)} is due')
        return See(what, subject, words[value], words[value], word)
    lo, _, hi = value.partition("..")
    return See(what, subject, float(lo) - LEVEL_TOL_PCT, float(hi or lo) + LEVEL_TOL_PCT, word)


# -- walking


def spec_of(sheet: Sheet) -> Any:
    """The sheet's spec, parsed once."""
    if sheet.file not in _SPECS:
        from bench.spec.loader import parse_spec

        _SPECS[sheet.file] = parse_spec(sheet.spec, sheet.file).spec
    return _SPECS[sheet.file]


_SPECS: dict[str, Any] = {}


def control(spec: Any, key: tuple[str, int]) -> str:
    """The control's one name, `panel p 1`. **Raises:** GoldenError when there is no such panel or screen."""
    for kind, nodes in (("panel", spec.panels), ("screen", spec.screens)):
        if key[0] in nodes:
            return f"{kind} {key[0]} {key[1]}"
    raise GoldenError(f'no panel or screen "{key[0]}"')


def order(trace: Trace, loss_ms: Mapping[tuple[str, str], float]) -> list[Step]:
    """The steps by instant. `lost` falls due after its loss time; what a silent node says goes unheard:
    its presses are never heard, its releases only when it is back."""
    out: list[Step] = []
    silent: dict[str, list[Step]] = {}
    for step in sorted(trace.steps, key=lambda s: s.ms):
        name = str(step.args[0]) if step.args else ""
        if step.verb == "lost":
            silent[str(step.args[1])] = []
            due = step.ms + loss_ms[step.args]
            out.append(Step(step.line, due, "lost", step.args))
        elif step.verb == "back":
            out.append(step)
            unheard = silent.pop(str(step.args[1]))
            out.extend(Step(s.line, step.ms, s.verb, s.args) for s in unheard)
        elif step.verb in ("press", "release", "sensor") and name in silent:
            if step.verb != "press":
                silent[name].append(step)
        else:
            out.append(step)
    return sorted(out, key=lambda s: s.ms)


def losses(spec: Any) -> dict[tuple[str, str], float]:
    """(kind, name) -> after how many ms of silence it counts as lost."""
    return {
        (kind, n.name): n.lost.after_ms
        for kind, nodes in (("panel", spec.panels), ("screen", spec.screens), ("sensor", spec.sensors))
        for n in nodes.values()
        if n.lost is not None
    }


def walk(trace: Trace, spec: Any, box: Boxlike) -> list[str]:
    """Does the trace on a box that has just woken. Gives one line for each thing seen wrong."""
    wrong: list[str] = []
    for step in order(trace, losses(spec)):
        if step.verb != "see":
            box.act(step.t_ns, step.verb, step.args)
            continue
        for see in step.sees:
            got = box.read(step.t_ns, see)
            if got is not None and not (see.lo <= got[0] and got[1] <= see.hi):
                cells = ", ".join(trace.cells) or "no cell"
                shown = f"{got[0]:g}" if got[0] == got[1] else f"{got[0]:g}..{got[1]:g}"
                wrong.append(
                    f'{trace.file}:{step.line}: "{trace.name}" at {step.ms:g} ms: '
                    f"expected {see.text}, got {shown} ({cells})"
                )
    return wrong
