"""What differs between two specs, and which circuits and jobs each difference can have broken."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from typing import TypeVar

from bench.oracle import Oracle
from bench.spec.model import Follow, Function, Inhibit, Spec

from .weaver import First

K = TypeVar("K")
Names = tuple[str, ...]
SHARED = ("scene", "on", "off")  # kinds that do not make one cluster of their circuits
UNSEEN = ("about", "implied")  # keys that change nothing a box does


@dataclass(frozen=True)
class Change:
    """One difference in words, the circuits it concerns, and jobs of a plan by their titles."""

    text: str
    circuits: tuple[str, ...] = ()
    titles: tuple[str, ...] = ()


@dataclass(frozen=True)
class Compared:
    """What changed since `other`, which is how the other spec was called."""

    other: str
    changes: tuple[Change, ...]

    @property
    def first(self) -> First | None:
        """What is to be planned first."""
        titles = frozenset(t for c in self.changes for t in c.titles)
        return First(frozenset(self.circuits), titles) if self.changes else None

    @property
    def circuits(self) -> tuple[str, ...]:
        """All that are concerned."""
        return tuple(dict.fromkeys(name for c in self.changes for name in c.circuits))


def changes(old: Spec, new: Spec) -> tuple[Change, ...]:
    """From `old` to `new`; what is named differently is one thing less and another one more."""
    found = [*_circuits(old, new), *_functions(old, new), *_controls(old, new), *_nodes(old, new)]
    found += [*_rules(old, new), *_boxes(old, new)]
    every = (Change(c.text, tuple(n for n in c.circuits if n in new.circuits), c.titles) for c in found)
    return tuple(dict.fromkeys(every))


def box_changed(new: Spec, box: str, text: str) -> Change:
    """One of a whole box."""
    return Change(f"box {box}: {text}", tuple(c.name for c in new.circuits.values() if c.box == box))


# -- kinds
def _circuits(old: Spec, new: Spec) -> Iterator[Change]:
    model = Oracle(old)
    for name in {**old.circuits, **new.circuits}:
        if name not in new.circuits:
            yield Change(f"circuit {name}: removed", model.clusters[model.circuit_cluster[name]])
        elif name not in old.circuits:
            yield Change(f"circuit {name}: added", (name,))
        else:
            for text in _differences(old.circuits[name], new.circuits[name]):
                yield Change(f"circuit {name}: {text}", (name,))


def _functions(old: Spec, new: Spec) -> Iterator[Change]:
    for name in {**old.functions, **new.functions}:
        before, after = old.functions.get(name), new.functions.get(name)
        if before is None or after is None:
            one = after or before
            assert one is not None
            if not one.implied or (name in old.circuits) == (name in new.circuits):
                yield Change(f"{one.kind} {name}: {'removed' if after is None else 'added'}", *_concerns(one))
            continue
        texts = list(_differences(before, after))
        for text in texts:
            if before.kind == after.kind and after.kind in SHARED:
                touched = {*before.circuits} ^ {*after.circuits}
                touched |= {c for c in after.circuits if before.presets.get(c) != after.presets.get(c)}
                yield Change(f"{after.kind} {name}: {text}", tuple(sorted(touched)), _concerns(after)[1])
            else:
                both = tuple(dict.fromkeys((*before.circuits, *after.circuits)))
                titles = (*_concerns(before)[1], *_concerns(after)[1])
                yield Change(f"{after.kind} {name}: {text}", both, titles)


def _concerns(function: Function) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Circuits, or the job of what several clusters share."""
    if function.kind in SHARED:
        return (), (f"{function.kind} {function.name}",)
    return function.circuits, ()


def _controls(old: Spec, new: Spec) -> Iterator[Change]:
    for name in {**old.controls, **new.controls}:
        before, after = old.controls.get(name), new.controls.get(name)
        if before == after:
            continue
        circuits, titles = list[str](), list[str]()
        for spec, control in ((old, before), (new, after)):
            if control is not None:
                mine = _concerns(spec.functions[control.function])
                circuits += mine[0]
                titles += mine[1]
        text = "removed" if after is None else "added" if before is None else ""
        texts = [text] if text else _differences(before, after)
        for one in texts:
            yield Change(f"{name}: {one}", tuple(circuits), tuple(titles))
    for name in dict.fromkeys((*old.outside, *new.outside)):
        if (name in old.outside) != (name in new.outside):
            text = "must have no effect" if name in new.outside else "may have an effect now"
            yield Change(f"{name}: {text}", (), (f"outside {name}",))


def _nodes(old: Spec, new: Spec) -> Iterator[Change]:
    for kind, before, after in (("panel", old.panels, new.panels), ("screen", old.screens, new.screens)):
        for name, text in _entries(before, after):
            mine = [c for spec in (old, new) for c in spec.controls.values() if c.node == name]
            known = [c for c in mine if c.name in new.controls]
            circuits = [n for c in known for n in new.functions[new.controls[c.name].function].circuits]
            yield Change(f"{kind} {name}: {text}", tuple(circuits))
    for name, text in _entries(old.sensors, new.sensors):
        forced = [f.circuit for spec in (old, new) for f in spec.forces if f.sensor == name]
        yield Change(f"sensor {name}: {text}", tuple(forced))


def _rules(old: Spec, new: Spec) -> Iterator[Change]:
    for kind, before, after in (
        ("force", _forces(old), _forces(new)),
        ("follow", _ruled(old.follows), _ruled(new.follows)),
        ("inhibit", _ruled(old.inhibits), _ruled(new.inhibits)),
    ):
        for names, text in _entries(before, after):
            yield Change(f"{kind} {names[0]} by {', '.join(names[1:])}: {text}", names)
    was, now = ({c: w.level_pct for w in spec.wakes for c in w.circuits} for spec in (old, new))
    for circuit, text in _entries(was, now):
        yield Change(f"on after waking up: {circuit} {text}", (circuit,), ("wake",))
    for (panel, *functions), text in _entries(_backlights(old), _backlights(new)):
        circuits = [c for f in functions if f in new.functions for c in new.functions[f].circuits]
        yield Change(f"backlight of {panel}: {text}", tuple(dict.fromkeys(circuits)))


def _forces(spec: Spec) -> Mapping[Names, object]:
    return {(r.circuit, r.sensor): r for r in spec.forces}


def _ruled(rules: Sequence[Follow | Inhibit]) -> Mapping[Names, object]:
    return {(r.circuit, *r.sources): r for r in rules}


def _backlights(spec: Spec) -> Mapping[Names, object]:
    return {(b.panel, *sorted(b.when)): b for b in spec.backlights}


def _boxes(old: Spec, new: Spec) -> Iterator[Change]:
    for name, text in _entries(old.boxes, new.boxes):
        wakes = ("wake",) if text.startswith(("wake", "trip_at_wake")) else ()
        yield Change(f"box {name}: {text}", box_changed(new, name, text).circuits, wakes)


# -- parts
def _entries(before: Mapping[K, object], after: Mapping[K, object]) -> Iterator[tuple[K, str]]:
    for key in {**before, **after}:
        if key not in after:
            yield key, "removed"
        elif key not in before:
            yield key, "added"
        else:
            for text in _differences(before[key], after[key]):
                yield key, text


def _differences(old: object, new: object, at: str = "") -> Iterator[str]:
    """`key now, was then` for each key that differs, down to what is no record or table."""
    if old == new:
        return
    inner = f"{at}." if at else ""
    if is_dataclass(old) and type(old) is type(new):
        for f in fields(old):
            if f.name not in UNSEEN:
                yield from _differences(getattr(old, f.name), getattr(new, f.name), f"{inner}{f.name}")
    elif isinstance(old, Mapping) and isinstance(new, Mapping):
        for key in {**old, **new}:
            yield from _differences(old.get(key), new.get(key), f"{inner}{key}")
    else:
        yield f"{at} {_word(new)}, was {_word(old)}".lstrip()


def _word(value: object) -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, frozenset):
        return ", ".join(sorted(map(str, value))) or "none"
    if isinstance(value, tuple):
        return ", ".join(f"[{_word(v)}]" if isinstance(v, tuple) else _word(v) for v in value) or "none"
    if is_dataclass(value):
        return ", ".join(f"{f.name} {_word(getattr(value, f.name))}" for f in fields(value))
    if isinstance(value, Mapping):
        return ", ".join(f"{k} {_word(v)}" for k, v in value.items()) or "none"
    return str(value)
