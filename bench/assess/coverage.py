"""What a session has shown: controls whose effect was judged, circuits and levels that were seen."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from bench.spec.model import Spec

from .stimulus import Stimulus


@dataclass(slots=True)
class Coverage:
    """Counts of judged stimuli by control, and levels proved by circuit."""

    controls: dict[str, int] = field(default_factory=dict)
    levels: dict[str, set[float]] = field(default_factory=dict)
    currents: dict[str, tuple[float, ...]] = field(default_factory=dict)
    sensors: dict[str, set[int]] = field(default_factory=dict)
    wakes: dict[str, int] = field(default_factory=dict)
    hands: dict[str, set[int]] = field(default_factory=dict)
    looks: dict[str, int] = field(default_factory=dict)
    on_ns: dict[str, int] = field(default_factory=dict)  # circuit -> what last brought it on
    told: set[str] = field(default_factory=set)  # circuits that are by hand on a person's word alone
    lost: dict[str, int] = field(default_factory=dict)
    trips: set[str] = field(default_factory=set)
    sheds: dict[str, set[int]] = field(default_factory=dict)  # box -> low, and good again
    unwitnessed: str = ""  # of what the supply's readings tell nothing
    witnessed: dict[str, Counter[bool]] = field(
        default_factory=dict
    )  # circuit -> on, off shown by the supply

    def judged(self, stimulus: Stimulus) -> None:
        """A stimulus all of whose effects were expected, and seen."""
        if stimulus.kind == "press":
            self.controls[stimulus.name] = self.controls.get(stimulus.name, 0) + 1
        elif stimulus.kind == "sensor":
            self.sensors.setdefault(stimulus.name, set()).add(stimulus.value)
        elif stimulus.kind == "by_hand":
            self.hands.setdefault(stimulus.name, set()).add(stimulus.value)
        elif stimulus.kind == "trip":
            self.trips.add(stimulus.name)
        elif stimulus.kind == "shed":
            self.sheds.setdefault(stimulus.name, set()).add(stimulus.value)
        elif stimulus.kind == "wake":
            self.wakes[stimulus.name] = self.wakes.get(stimulus.name, 0) + 1
        elif stimulus.kind == "lost" and stimulus.value:
            self.lost[stimulus.name] = self.lost.get(stimulus.name, 0) + 1

    def shown(self, circuit: str, level: float, since_ns: int) -> None:
        """The circuit was seen steady at this level, as expected, after what was done at `since_ns`."""
        if level > 0:
            self.on_ns[circuit] = since_ns
        self.levels.setdefault(circuit, set()).add(round(level))

    def tested(self) -> dict[str, str]:
        """Subject -> what was shown, in words."""
        out = {}
        for control, count in sorted(self.controls.items()):
            out[control] = f"{count} press{'' if count == 1 else 'es'} judged"
        for circuit, levels in sorted(self.levels.items()):
            words = [("off" if v == 0 else f"{v:g} %") for v in sorted(levels)]
            amps = self.currents.get(circuit, ())
            tail = "; current right at " + ", ".join(f"{v:g} %" for v in amps if v) if any(amps) else ""
            if (by_supply := self.witnessed.get(circuit)) is not None:
                tail += (
                    f"; going on and off shown by the supply, {by_supply[True]} and {by_supply[False]} times"
                )
            out[circuit] = "seen " + ", ".join(words) + tail
        for sensor, values in sorted(self.sensors.items()):
            out[f"sensor {sensor}"] = "seen " + " and ".join(
                "active" if v else "at rest" for v in sorted(values)
            )
        for box, count in sorted(self.wakes.items()):
            out[f"wake {box}"] = f"{count} wake-up{'' if count == 1 else 's'} judged"
        for name, count in sorted(self.lost.items()):
            out[f"loss of {name}"] = f"{count} loss{'' if count == 1 else 'es'} judged"
        for circuit in sorted(self.trips):
            out[f"overload trip {circuit}"] = "tripped when a person overloaded it"
        for box, values in sorted(self.sheds.items()):
            told = " and ".join("its beginning" if v else "its end" for v in sorted(values, reverse=True))
            out[f"low supply {box}"] = f"{told} judged"
        for circuit, values in sorted(self.hands.items()):
            told = " and ".join("by hand" if v else "back from it" for v in sorted(values, reverse=True))
            who = "as a person says; the box cannot know" if circuit in self.told else "done by a person"
            out[f"by hand {circuit}"] = f"{told}, {who}"
        for subject, count in sorted(self.looks.items()):
            out[subject] = f"seen or heard by a person, {count} time{'' if count == 1 else 's'}"
        return out

    def complete_circuits(self, spec: Spec) -> list[str]:
        """Circuits seen both off and on."""
        return [c for c in spec.circuits if 0 in (seen := self.levels.get(c, set())) and len(seen) > 1]

    def not_tested(self, spec: Spec) -> dict[str, str]:
        """What the spec promises and this session did not exercise."""
        out = {}
        for control in (*spec.controls, *spec.outside):
            if control not in self.controls:
                out[control] = "not pressed, or its effect could not be judged"
        done = set(self.complete_circuits(spec))
        for circuit in spec.circuits:
            if circuit not in done:
                out[circuit] = "not seen both off and on"
        for sensor in spec.sensors:
            if len(self.sensors.get(sensor, ())) < 2:
                out[f"sensor {sensor}"] = "not seen both active and at rest"
        for box in spec.boxes:
            if box not in self.wakes:
                out[f"wake {box}"] = "no wake-up in this session"
        if self.unwitnessed:
            out["second witness"] = self.unwitnessed
        return out

    def scope(self, spec: Spec) -> str:
        """`24 of 24 circuits, 34 of 34 controls`."""
        controls = (*spec.controls, *spec.outside)
        parts = [
            f"{len(self.complete_circuits(spec))} of {len(spec.circuits)} circuits",
            f"{sum(c in self.controls for c in controls)} of {len(controls)} controls",
        ]
        if spec.sensors:
            both = sum(len(self.sensors.get(s, ())) == 2 for s in spec.sensors)
            parts.append(f"{both} of {len(spec.sensors)} sensors")
        if not all(b in self.wakes for b in spec.boxes):
            parts.append("without wake-up")
        both = sum(len(values) == 2 for values in self.hands.values())
        if both:
            parts.append(f"{both} of {len(spec.circuits)} circuits by hand")
        if self.witnessed:
            parts.append(f"{len(self.witnessed)} of {len(spec.circuits)} circuits witnessed by the supply")
        if self.looks:
            parts.append(f"{len(self.looks)} looks by a person")
        nodes = [f"{n.kind} {n.name}" for n in (*spec.panels.values(), *spec.screens.values()) if n.lost]
        nodes += [f"sensor {s.name}" for s in spec.sensors.values() if s.lost]
        if nodes and self.lost:
            parts.append(f"{sum(n in self.lost for n in nodes)} of {len(nodes)} losses")
        without = [] if both else ["by hand"]
        if not self.trips:
            without.append("trip")
        if not any(len(values) == 2 for values in self.sheds.values()):
            without.append("low supply")
        if not self.lost:
            without.append("lost panels")
        if without:
            first, last = ", ".join(without[:-1]), without[-1]
            parts.append(f"without {first} and {last}" if first else f"without {last}")
        return ", ".join(parts)
