"""What a plan claims of panels, screens and sensors that fall silent, against what a box did meanwhile."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from bench.evidence.plan_played import Played, Step
from bench.spec.model import Lost, Sensor, Spec


class Losses:
    """`partner`: press -> its release, by number of step."""

    def __init__(self, spec: Spec, steps: Sequence[Step], partner: Mapping[int, int], played: Played) -> None:
        self._spec, self._steps, self._partner, self._played = spec, steps, partner, played
        self._respond = max(b.respond_ms for b in spec.boxes.values())

    def holds(self, n: int, words: list[str]) -> bool:
        """Whether a claim of step `n` does: `panel NAME momentary FUNCTION (release)` and the like."""
        step, (kind, name, what, *_) = self._steps[n], words
        if step.kind != "silent" or (what == "back") == bool(step.value):
            return False
        if what == "back":
            return step.name == f"{kind} {name}"
        subject, rule = f"{kind} {name}", words[-1].strip("()")
        ends_ms = next(
            (s.at_ms for s in self._steps[n + 1 :] if (s.kind, s.name) == ("silent", step.name)), 0.0
        )
        lost_ms = next((t for t, lost in self._played.losses if lost == subject and t > step.at_ms), 0.0)
        if not step.at_ms < lost_ms < ends_ms - self._respond:
            return False
        if kind == "sensor":
            sensor = self._spec.sensors[name]
            return self._sensor(sensor, words[2:-1] == ["at", "rest"], rule, lost_ms, ends_ms)
        lost = (self._spec.panels if kind == "panel" else self._spec.screens)[name].lost
        return lost is not None and self._node(subject, lost, what, words[3], rule, lost_ms, ends_ms)

    def _node(
        self, subject: str, lost: Lost, what: str, name: str, rule: str, lost_ms: float, ends_ms: float
    ) -> bool:
        """It was on and its key down as the claim says, and afterwards it was as the rule says."""
        circuit = self._spec.functions[name].members[0] if what == "momentary" else name
        before = self._played.levels(circuit, lost_ms - self._respond, lost_ms - 1.0)
        after = self._played.levels(circuit, lost_ms + self._respond, ends_ms)
        controls = self._spec.controls.values()
        keys = {c.name: c.function for c in controls if f"{c.kind} {c.node}" == subject}
        held = [keys[s.name] for s in self._down(lost_ms) if s.name in keys]
        if before[-1] <= 0:
            return False
        if what == "momentary":
            return name in held and rule == lost.momentary and (max(after) <= 0) == (rule == "release")
        if what == "dim":
            ramped = any(circuit in self._spec.functions[f].circuits for f in held) and len(set(before)) > 1
            return ramped and rule == lost.dim and (len(set(after)) == 1) == (rule == "freeze")
        tied = any(circuit in self._spec.functions[f].circuits for f in keys.values())
        return tied and rule == lost.others and (min(after) > 0) == (rule == "hold")

    def _down(self, t_ms: float) -> list[Step]:
        presses = [(n, s) for n, s in enumerate(self._steps) if s.kind == "press" and s.at_ms <= t_ms]
        return [s for n, s in presses if self._steps[self._partner[n]].at_ms > t_ms]

    def _sensor(self, sensor: Sensor, at_rest: bool, rule: str, lost_ms: float, ends_ms: float) -> bool:
        """What it forces was on where it was active, and changed where it then counts as the other thing."""
        forced = [f.circuit for f in self._spec.forces if f.sensor == sensor.name]
        before = [self._played.level(c, lost_ms - 1.0) > 0 for c in forced]
        after = [self._played.level(c, ends_ms - 1.0) > 0 for c in forced]
        if sensor.lost is None or rule != sensor.lost.sensor or any(on is at_rest for on in before):
            return False
        changes = rule == ("active" if at_rest else "rest")
        return all((now is not then) is changes for then, now in zip(before, after, strict=True))
