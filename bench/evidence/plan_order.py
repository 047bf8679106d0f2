"""Whether a plan holds presses of undefined order: found anew from its file, the spec and a box.

Two stimuli that reach the same circuits must lie `resolves_ms` apart, and none near the end of a timer of
theirs or the moment from which a held key dims.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from bench.evidence.plan_played import Played, Step, loses
from bench.spec.model import Function, Spec

STIMULI = ("press", "release", "sensor", "supply", "wake")


class Reach:
    """What a stimulus reads or writes: its circuits, and all that they are tied to by rules and keys."""

    def __init__(self, spec: Spec) -> None:
        self._spec = spec
        self._ties: dict[str, set[str]] = {c: {c} for c in spec.circuits}
        for follow in spec.follows:
            self._tie((follow.circuit, *follow.sources))
        for inhibit in spec.inhibits:
            self._tie((inhibit.circuit, *inhibit.sources))
        for f in spec.functions.values():
            if f.kind in ("group", "cycle"):
                self._tie(f.circuits)
        for sensor in spec.sensors:
            self._tie(r.circuit for r in spec.forces if r.sensor == sensor)

    def _tie(self, circuits: Iterable[str]) -> None:
        joined = set[str]().union(*(self._ties[c] for c in circuits))
        self._ties.update(dict.fromkeys(joined, joined))

    def of(self, step: Step) -> frozenset[str]:
        """Circuits; all of them for a supply or waking up."""
        if step.kind in ("supply", "wake"):
            return frozenset(self._spec.circuits)
        if step.kind == "sensor":
            mine = [r.circuit for r in self._spec.forces if r.sensor == step.name]
        else:
            control = self._spec.controls.get(step.name)
            mine = list(self._spec.functions[control.function].circuits) if control else []
        return frozenset().union(*(self._ties[c] for c in mine))

    def near(self, circuit: str) -> frozenset[str]:
        """What is read or written together with a circuit."""
        return frozenset(self._ties[circuit])


def too_close(spec: Spec, steps: Sequence[Step]) -> list[str]:
    """Pairs of stimuli of no defined order."""
    reach = Reach(spec)
    least_ms = max(b.resolves_ms for b in spec.boxes.values())
    done = [(n, s, reach.of(s)) for n, s in enumerate(steps) if s.kind in STIMULI]
    found = []
    for i, (n, step, mine) in enumerate(done):
        for m, later, its in done[i + 1 :]:
            if later.at_ms - step.at_ms >= least_ms:
                break
            both = step.kind == later.kind and step.kind in ("supply", "wake")  # boxes together
            if mine & its and not both:
                found.append(f"steps {n} and {m}: {later.at_ms - step.at_ms:.1f} ms apart")
    return found


def near_an_end(spec: Spec, steps: Sequence[Step], played: Played) -> list[str]:
    """Stimuli that lie near the end of a timer, of a count, or the beginning of a ramp."""
    reach = Reach(spec)
    spans = [*_timers(spec, steps, played, reach), *_counts(spec, steps, played)]
    found = []
    for n, step in enumerate(steps):
        if step.kind not in STIMULI or _is_idle(spec, step):
            continue
        mine = reach.of(step)
        for span in spans:
            if span.lo_ms < step.at_ms < span.hi_ms and mine & reach.near(span.circuit):
                found.append(
                    f"step {n} at {step.at_ms:.0f} ms: {span.what} at {span.lo_ms:.0f}..{span.hi_ms:.0f}"
                )
    return [*found, *_holds(spec, steps), *_near_losses(spec, steps, played, reach)]


class Span(NamedTuple):
    """When something of a circuit may end by itself, give or take what the box resolves."""

    circuit: str
    lo_ms: float
    hi_ms: float
    what: str


def _is_idle(spec: Spec, step: Step) -> bool:
    """A release that does nothing, as its key neither dims nor is momentary."""
    f = _function(spec, step)
    return step.kind == "release" and (f is None or (f.kind != "momentary" and not _dims(spec, f)))


def _dims(spec: Spec, f: Function) -> bool:
    able = f.kind == "toggle" or f.dim_together
    return able and any(spec.circuits[c].dim is not None for c in f.circuits)


def _timers(spec: Spec, steps: Sequence[Step], played: Played, reach: Reach) -> Iterator[Span]:
    """When the timer of each circuit ended: it began with the stimulus that brought the stored level above 0,
    and was not stopped before."""
    near_ms = max(b.resolves_ms for b in spec.boxes.values())
    at = [(s.at_ms, reach.of(s)) for s in steps if s.kind in STIMULI]
    for circuit in spec.circuits.values():
        if circuit.auto_off is None:
            continue
        within_ms = circuit.auto_off.tolerance_s * 1000 + near_ms
        began: float | None = None
        for t_ms, level in played.stored(circuit.name):
            if began is not None and level <= 0:
                due_ms = began + circuit.auto_off.after_s * 1000
                if t_ms > due_ms - within_ms:
                    yield Span(circuit.name, due_ms - within_ms, due_ms + within_ms, "the timer's end")
                began = None
            elif began is None and level > 0:
                began = max(
                    (at_ms for at_ms, its in at if at_ms <= t_ms and circuit.name in its), default=t_ms
                )


def _counts(spec: Spec, steps: Sequence[Step], played: Played) -> Iterator[Span]:
    """When counted positions were forgotten after a while without a press."""
    near_ms = max(b.resolves_ms for b in spec.boxes.values())
    for f in spec.functions.values():
        if f.reset is None or f.reset.after_s is None:
            continue
        mine = [s.at_ms for s in steps if s.kind == "press" and _function(spec, s) is f]
        for t_ms, after in zip(mine, [*mine[1:], float("inf")], strict=True):
            end_ms = t_ms + f.reset.after_s * 1000
            if after > end_ms - near_ms and not _restarted(f, played, t_ms, end_ms - near_ms):
                yield Span(f.circuits[0], end_ms - near_ms, end_ms + near_ms, f"the end of {f.name}'s count")


def _restarted(f: Function, played: Played, pressed_ms: float, end_ms: float) -> bool:
    """Whether something else changed a member meanwhile, after which there is no count to forget."""
    changes = [t for c in f.circuits for t, _ in played.stored(c)]
    on = f.reset.on if f.reset else ()
    return "any_member_changed" in on and any(pressed_ms + 200 < t < end_ms for t in changes)


def _near_losses(spec: Spec, steps: Sequence[Step], played: Played, reach: Reach) -> Iterator[str]:
    """Stimuli about when a panel, screen or sensor was lost, to circuits that this can change; and what a
    silent node says."""
    within_ms = max(b.respond_ms for b in spec.boxes.values())
    for at_ms, name in played.losses:
        changed = _lost_circuits(spec, steps, at_ms, name)
        mine = frozenset[str]().union(*(reach.near(c) for c in changed))
        for n, step in enumerate(steps):
            near = step.kind in STIMULI and abs(step.at_ms - at_ms) < within_ms
            if near and not _is_idle(spec, step) and reach.of(step) & mine:
                yield f"step {n} at {step.at_ms:.0f} ms: {name} is lost at {at_ms:.0f}"
            its = step.kind == "silent" and name in [lost for lost, _ in loses(spec, step.name)]
            if its and not step.value and abs(step.at_ms - at_ms) < within_ms:
                yield f"step {n} at {step.at_ms:.0f} ms: {name} is lost at {at_ms:.0f}, perhaps"
    silent: set[str] = set()
    for n, step in enumerate(steps):
        if step.kind == "silent":
            (silent.add if step.value else silent.discard)(step.name)
        elif step.kind in STIMULI and _sender(spec, step) in silent:
            yield f"step {n} at {step.at_ms:.0f} ms: {step.name} is silent"


def _sender(spec: Spec, step: Step) -> str:
    sensor = spec.sensors.get(step.name) if step.kind == "sensor" else None
    return step.name.rpartition(" ")[0] if sensor is None else f"sensors {sensor.box}"


def _lost_circuits(spec: Spec, steps: Sequence[Step], at_ms: float, name: str) -> set[str]:
    """Circuits that a loss may change: of keys that are down, of a sensor; or all that its keys reach."""
    kind, _, own = name.partition(" ")
    if kind == "sensor":
        return {f.circuit for f in spec.forces if f.sensor == own}
    node = (spec.panels if kind == "panel" else spec.screens)[own]
    keys = {c.name for c in spec.controls.values() if (c.kind, c.node) == (kind, own)}
    if node.lost is None or node.lost.others == "hold":
        down: set[str] = set()
        for step in steps:
            if step.at_ms < at_ms and step.kind in ("press", "release"):
                (down.add if step.kind == "press" else down.discard)(step.name)
        keys &= down
    return {c for k in keys for c in spec.functions[spec.controls[k].function].circuits}


def _function(spec: Spec, step: Step) -> Function | None:
    control = spec.controls.get(step.name)
    return spec.functions[control.function] if control else None


def _holds(spec: Spec, steps: Sequence[Step]) -> Iterator[str]:
    """Keys released when it is not sure whether they dim, or whether they were pressed at all."""
    respond = max(b.respond_ms for b in spec.boxes.values())
    shortest = max(b.shortest_press_ms for b in spec.boxes.values())
    down: dict[str, float] = {}
    for n, step in enumerate(steps):
        if step.kind == "press":
            down[step.name] = step.at_ms
        if step.kind != "release":
            continue
        ms, f = step.at_ms - down.pop(step.name), _function(spec, step)
        if ms <= 2 * shortest:
            yield f"step {n}: {step.name} was down for {ms:.0f} ms only"
        if f is None or not _dims(spec, f):
            continue
        for circuit in f.circuits:
            dim = spec.circuits[circuit].dim
            if dim is not None and abs(ms - dim.hold_ms) <= respond:
                text = f"{step.name} was down for {ms:.0f} ms, and {circuit} dims from {dim.hold_ms:g}"
                yield f"step {n}: {text}"
