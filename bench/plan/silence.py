"""Panels, screens and sensor modules that the bench keeps silent, and when the box takes them for lost."""

from __future__ import annotations

from collections.abc import Iterable
from copy import copy
from typing import NamedTuple

from bench.core.event import LOST, Event
from bench.oracle import Oracle
from bench.spec.model import ControlNode, Spec


class Loss(NamedTuple):
    """Something has then been silent for long enough. `sender`: who sends its signs of life; `clusters`: that
    are told."""

    at_ms: float
    name: str
    sender: str
    clusters: frozenset[int]


def node_of(spec: Spec, subject: str) -> str:
    """Who sends what tells of a key or a sensor: `panel NAME`, `screen NAME`, `sensors BOX`."""
    if subject in spec.sensors:
        return f"sensors {spec.sensors[subject].box}"
    return subject.rpartition(" ")[0]


def nodes(spec: Spec) -> list[ControlNode]:
    """Panels and screens."""
    return [*spec.panels.values(), *spec.screens.values()]


def senders(spec: Spec) -> list[str]:
    """Everything that can be kept silent."""
    modules = dict.fromkeys(f"sensors {s.box}" for s in spec.sensors.values())
    return [*(f"{n.kind} {n.name}" for n in nodes(spec)), *modules]


class Silences:
    """Which nodes are silent now, and what is lost, or will be."""

    def __init__(self, model: Oracle, spec: Spec) -> None:
        self._model, self._spec = model, spec
        self._of: dict[str, list[tuple[str, float]]] = {}
        for node in nodes(spec):
            if node.lost is not None:
                name = f"{node.kind} {node.name}"
                self._of[name] = [(name, node.lost.after_ms)]
        for sensor in spec.sensors.values():
            if sensor.lost is not None:
                row = f"sensor {sensor.name}", sensor.lost.after_ms
                self._of.setdefault(f"sensors {sensor.box}", []).append(row)
        self.silent: set[str] = set()
        self._coming: list[Loss] = []
        self._gone: dict[str, list[str]] = {}
        self._keyed: dict[str, frozenset[int]] = {}

    def copy(self) -> Silences:
        """The same, to try something on."""
        other = copy(self)
        other.silent, other._coming = set(self.silent), list(self._coming)
        other._gone = {sender: list(names) for sender, names in self._gone.items()}
        return other

    def keyed(self, sender: str) -> frozenset[int]:
        """Clusters with circuits of its keys or sensors."""
        found = self._keyed.get(sender)
        if found is None:
            found = self._keyed[sender] = self._keyed_of(sender)
        return found

    def _keyed_of(self, sender: str) -> frozenset[int]:
        controls = self._spec.controls.values()
        circuits = [
            circuit
            for c in controls
            if f"{c.kind} {c.node}" == sender
            for circuit in self._spec.functions[c.function].circuits
        ]
        circuits += [f.circuit for f in self._spec.forces if node_of(self._spec, f.sensor) == sender]
        return frozenset(self._model.circuit_cluster[c] for c in circuits)

    def reached(self, sender: str) -> frozenset[int]:
        """Clusters that are told when it is lost."""
        return frozenset().union(*(self._clusters(name) for name, _ in self._of.get(sender, ())))

    def _clusters(self, name: str) -> frozenset[int]:
        return frozenset(k for k, _ in self._model.route(Event(0, LOST, name, 1), ()))

    def begin(self, sender: str, t_ms: float) -> None:
        """It was heard for the last time."""
        self.silent.add(sender)
        self._coming = sorted([*self._coming, *self.losses(sender, t_ms)])

    def losses(self, sender: str, t_ms: float) -> list[Loss]:
        """What is lost where it is silent from then on."""
        return [
            Loss(t_ms + after_ms, name, sender, self._clusters(name))
            for name, after_ms in self._of.get(sender, ())
        ]

    def end(self, sender: str) -> list[str]:
        """It is heard again. Gives back what was lost until then."""
        self.silent.discard(sender)
        self._coming = [c for c in self._coming if c.sender != sender]
        return self._gone.pop(sender, [])

    def coming(self, clusters: frozenset[int]) -> list[float]:
        """When something will be lost that reaches these."""
        return [c.at_ms for c in self._coming if not c.clusters.isdisjoint(clusters)]

    def clashes(self, losses: Iterable[Loss], within_ms: float) -> bool:
        """Whether any of these is that near to one that is coming, and reaches the same."""
        return any(
            abs(coming.at_ms - loss.at_ms) < within_ms and not coming.clusters.isdisjoint(loss.clusters)
            for loss in losses
            for coming in self._coming
        )

    def pop(self, t_ms: float) -> Loss | None:
        """The next that is lost, up to `t_ms`."""
        if not self._coming or self._coming[0].at_ms > t_ms:
            return None
        loss = self._coming.pop(0)
        self._gone.setdefault(loss.sender, []).append(loss.name)
        return loss
