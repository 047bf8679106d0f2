"""Signal rules out of the spec, the definitions and the link's jitter."""

from __future__ import annotations

from collections.abc import Mapping

from bench.definitions import Definitions
from bench.judge import SignalRule
from bench.judge.rules import MS
from bench.loads import Load
from bench.spec.model import Box, Spec
from bench.spec.profile import BenchProfile

KINDS = ("state", "level", "current", "fault", "lamp", "backlight")
LEVEL_SLACK_COUNTS = 0.75  # half a count for rounding, a quarter for a box that truncates


def box_of(spec: Spec, kind: str, subject: str) -> Box | None:
    """The box that reports a subject."""
    if kind in ("lamp", "backlight"):
        control = spec.controls.get(subject)
        if control is not None:
            nodes = spec.panels if control.kind == "panel" else spec.screens
            return spec.boxes[nodes[control.node].box]
        node = spec.panels.get(subject) or spec.screens.get(subject)
        return spec.boxes[node.box] if node else None
    circuit = spec.circuits.get(subject)
    return spec.boxes[circuit.box] if circuit else None


def hears(spec: Spec, box: str, cause: str) -> bool:
    """Whether `box` is the one that takes a key ("panel helm 1"), a node ("panel helm") or a sensor in."""
    kind, _, rest = cause.partition(" ")
    nodes = {"panel": spec.panels, "screen": spec.screens}.get(kind)
    node = nodes.get(rest.split(" ")[0]) if nodes else spec.sensors.get(rest or cause)
    return node is not None and node.box == box


def signal_rules(
    spec: Spec, definitions: Definitions, jitter_ms: float, *, complete: bool = True
) -> dict[str, SignalRule]:
    """A rule for every signal of KINDS that the definitions make observable.

    `jitter_ms` is the worst error of one stamp; a stimulus and a report have one each. `complete`: the
    link would tell of every frame it loses; otherwise one of a message that does not count may be lost.
    """
    rules = {}
    counted = {m.name for m in definitions.messages() if m.counter_bits}
    for signal, message in definitions.signal_message.items():
        kind, _, subject = signal.partition(":")
        if kind not in KINDS or (box := box_of(spec, kind, subject)) is None:
            continue
        timing = box.frames_ms.get(kind) or box.frames_ms.get("state")
        cycle = (timing.cycle_ms or 0.0) if timing else 0.0
        on_change = timing is not None and timing.on_change_ms is not None
        tolerance = 0.01
        if kind in ("level", "backlight"):
            tolerance = LEVEL_SLACK_COUNTS * max(definitions.step_of(signal), box.level_step_pct)
        respond = box.settle_ms if kind == "current" else box.respond_ms
        rules[signal] = SignalRule(
            signal=signal,
            kind=kind,
            subject=subject,
            respond_ns=round(respond * MS),
            age_ns=0 if on_change else round(cycle * MS),
            jitter_ns=round(2 * jitter_ms * MS),
            cycle_ns=round(cycle * MS),
            on_change=on_change,
            tolerance=tolerance,
            spare_ns=0 if complete or message in counted else round(cycle * MS),
        )
    return rules


def loads_of(spec: Spec, profile: BenchProfile | None) -> tuple[dict[str, Load], dict[str, str]]:
    """What hangs on each circuit of this bench, and why some circuits' currents are not judged."""
    loads: dict[str, Load] = {}
    without: dict[str, str] = {}
    for name, circuit in spec.circuits.items():
        box = spec.boxes[circuit.box]
        if box.current is None:
            without[name] = "the spec does not say how well this box reports currents"
            continue
        real = profile.load_of(spec, name) if profile else "as_spec"
        if real == "none":
            without[name] = "no load on this bench"
            continue
        kind, rated = circuit.load, circuit.rated_a
        if not isinstance(real, str):
            kind, rated = "resistive", box.supply_v / real.ohm
        loads[name] = Load(
            kind, rated, box.supply_v, circuit.tol_pct, box.current.gain_pct, box.current.offset_a
        )
    return loads, without


def subjects_of(spec: Spec, box: str) -> list[str]:
    """Circuits, controls, panels and screens whose state a box reports."""
    nodes = {n.name: n.box for n in (*spec.panels.values(), *spec.screens.values())}
    circuits = [c.name for c in spec.circuits.values() if c.box == box]
    controls = [c.name for c in spec.controls.values() if nodes[c.node] == box]
    return circuits + controls + [n for n, of in nodes.items() if of == box]


def detection_limits(rules: Mapping[str, SignalRule]) -> dict[str, str]:
    """What the verdict could have missed, in words, by kind of signal."""
    out: dict[str, str] = {}
    for kind in KINDS:
        of_kind = [r for r in rules.values() if r.kind == kind]
        if not of_kind:
            out[kind] = "not observable on this bench"
        elif kind == "current":
            out[kind] = "presence and size of a steady current; no timing"
        else:
            worst = max(r.deadline_ns for r in of_kind) / MS
            short = max(r.window_ns for r in of_kind) / MS
            out[kind] = (
                f"a change shown later than {worst:.0f} ms; changes back within {short:.0f} ms are not proved"
            )
    return out
