"""A plan as a file: to be reviewed, kept and run again."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, fields
from math import isfinite
from pathlib import Path
from typing import Any, TypeGuard

from bench.core.errors import Complaint, UsageError
from bench.core.event import BY_HAND, SHED
from bench.core.look import BACKLIGHT, HEARD, LABEL, LAMPS, READY
from bench.core.plan import LOOK, OF_PERSON, OVERLOAD, VOLTS, Alike, Merged, Plan, Since, Step, Toured
from bench.plan.silence import node_of, senders
from bench.spec.model import Spec

KINDS = ("press", "release", "sensor", "supply", "wake", "wait", "silent", VOLTS, SHED, *OF_PERSON)
MOST_MV = 60_000
MOST_LIT = 1 << 256  # bits of a node's lamps
LONGEST_MS = 24 * 3_600_000.0


def plan_text(plan: Plan) -> str:
    """The file's text; the same plan gives the same bytes."""
    made = asdict(plan)
    for key in ("uncovered", "since", "merged"):
        if not made[key]:
            del made[key]
    return json.dumps(made, indent=1) + "\n"


def load_plan(path: Path, spec: Spec) -> Plan:
    """The plan of a file, for this boat.

    Raises: UsageError with every complaint: what is no plan, a step in the wrong order, a control, sensor
    or box that the spec does not have, a key that stays down.
    """
    try:
        read = json.loads(path.read_text(encoding="utf-8"))
    except OSError as e:
        raise UsageError(Complaint(f"{path} cannot be read: {e.strerror or e}")) from e
    except (ValueError, RecursionError) as e:
        raise UsageError(Complaint(f"{path} is no plan: {e}", advice=_ADVICE)) from e
    reading = _Reading(path, spec)
    plan = reading.plan(read)
    if plan is None or reading.complaints:
        raise UsageError(reading.complaints)
    return plan


_ADVICE = "hardstand plan SPEC --out FILE writes one"


class _Reading:
    def __init__(self, path: Path, spec: Spec) -> None:
        self._path, self._spec = str(path), spec
        self.complaints: list[Complaint] = []
        self._names = {
            "press": {*spec.controls, *spec.outside},
            "sensor": set(spec.sensors),
            "supply": set(spec.boxes),
            "wake": {"", *spec.boxes},
            VOLTS: {"supply"},
            SHED: set(spec.boxes),
            BY_HAND: set(spec.circuits),
            OVERLOAD: {c.name for c in spec.circuits.values() if c.trip is not None},
            "silent": set(senders(spec)),
        }
        nodes = [f"{n.kind} {n.name}" for n in (*spec.panels.values(), *spec.screens.values())]
        subjects = {
            LAMPS: nodes,
            BACKLIGHT: nodes,
            READY: spec.circuits,
            HEARD: spec.circuits,
            LABEL: spec.boxes,
        }
        self._names[LOOK] = {f"{kind}{name}" for kind, names in subjects.items() for name in names}
        self._names["release"] = self._names["press"]

    def _say(self, text: str, expected: str = "", advice: str = _ADVICE) -> None:
        self.complaints.append(Complaint(f"{self._path}: {text}", expected=expected, advice=advice))

    def plan(self, read: object) -> Plan | None:
        if not isinstance(read, Mapping) or not isinstance(read.get("steps"), list):
            self._say("it is no plan", expected="an object with steps")
            return None
        steps = [s for n, one in enumerate(read["steps"]) if (s := self._step(n, one)) is not None]
        if not self.complaints:
            self._in_order(steps)
        duration_ms = read.get("duration_ms")
        if not _is_time(duration_ms) or (steps and duration_ms < steps[-1].at_ms):
            self._say(f"duration_ms is {duration_ms!r}", expected="milliseconds, after the last step")
            return None
        not_tested = read.get("not_tested", {})
        if not isinstance(not_tested, Mapping) or not all(isinstance(v, str) for v in not_tested.values()):
            self._say("not_tested is no list of reasons", expected="subject: reason")
            return None
        seed = read.get("seed", 0)
        return Plan(
            title=str(read.get("title", "")),
            steps=tuple(steps),
            duration_ms=float(duration_ms),
            start=str(read.get("start", "off")),
            seed=seed if isinstance(seed, int) else 0,
            covered=tuple(map(str, self._list(read, "covered"))),
            not_tested=dict(not_tested),
            toured=tuple(self._made(Toured, self._list(read, "toured"))),
            alike=tuple(self._made(Alike, self._list(read, "alike"))),
            uncovered=tuple(map(str, self._list(read, "uncovered"))),
            since=next(iter(self._made(Since, [read["since"]] if read.get("since") else [])), None),
            merged=next(iter(self._made(Merged, [read["merged"]] if read.get("merged") else [])), None),
        )

    def _list(self, read: Mapping[str, Any], key: str) -> Sequence[object]:
        found = read.get(key, [])
        if isinstance(found, list):
            return found
        self._say(f"{key} is no list")
        return []

    def _made(self, make: Callable[..., Any], rows: Sequence[object]) -> list[Any]:
        names = {f.name for f in fields(make)}  # type: ignore[arg-type]
        out = []
        for row in rows:
            if not isinstance(row, Mapping) or set(row) != names:
                self._say(f"a row lacks one of {', '.join(sorted(names))}")
                continue
            out.append(make(**{k: tuple(v) if isinstance(v, list) else v for k, v in row.items()}))
        return out

    def _step(self, number: int, read: object) -> Step | None:
        where = f"step {number}"
        if not isinstance(read, Mapping):
            self._say(f"{where} is no object")
            return None
        kind, name, value, at_ms = (read.get(k) for k in ("kind", "name", "value", "at_ms"))
        if kind not in KINDS:
            self._say(f"{where} is of kind {kind!r}", expected=" | ".join(KINDS))
        elif kind != "wait" and name not in self._names[kind]:
            self._say(f"{where}: the spec has no {kind} {name!r}", advice="is it the plan of another boat?")
        elif not _is_time(at_ms):
            self._say(f"{where} is at {at_ms!r} ms", expected="milliseconds from the plan's start")
        elif not isinstance(value, int) or not 0 <= value < {LOOK: MOST_LIT, VOLTS: MOST_MV}.get(kind, 2):
            expected = f"mV, below {MOST_MV}" if kind == VOLTS else "0 or 1"
            self._say(f"{where} has the value {value!r}", expected=expected)
        else:
            covers = read.get("covers", [])
            tags = tuple(map(str, covers)) if isinstance(covers, list) else ()
            return Step(float(at_ms), kind, str(name), int(value), str(read.get("about", "")), tags)
        return None

    def _in_order(self, steps: Sequence[Step]) -> None:
        down: set[str] = set()
        silent: set[str] = set()
        before_ms = 0.0
        for number, step in enumerate(steps):
            if step.at_ms < before_ms:
                self._say(f"step {number} is before the one above it", expected="steps in order of at_ms")
            before_ms = step.at_ms
            if step.kind == "press" and step.name in down:
                self._say(f"step {number} presses {step.name}, which is down already")
            if step.kind in ("press", "release", "sensor") and node_of(self._spec, step.name) in silent:
                self._say(f"step {number} is a {step.kind} of {step.name}, which is silent then")
            if step.kind == "silent":
                (silent.add if step.value else silent.discard)(step.name)
            if step.kind == "press":
                down.add(step.name)
            elif step.kind == "release":
                down.discard(step.name)
        for name in sorted(down):
            self._say(f"{name} stays down at the end", expected="a release of each key")
        for name in sorted(silent):
            self._say(f"{name} stays silent at the end", expected="the end of each silence")


def _is_time(value: object) -> TypeGuard[float]:
    return (
        isinstance(value, int | float)
        and not isinstance(value, bool)
        and isfinite(value)
        and 0 <= value <= LONGEST_MS
    )
