"""Deviations to discrepancies: one root, and what followed from it.

A deviation joins a discrepancy when it belongs to a cluster that has already deviated in it, was
caused by the same stimulus, or by a control that has already led to it. Nothing is dropped: what is
folded is kept under its root, and a fold never turns a fail into anything else.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from bench.core.verdict import Deviation, Discrepancy

_RANK = {"state": 0, "level": 0, "fault": 2, "current": 3, "lamp": 4, "backlight": 4}
_KINDS_FIRST = ("restart", "frame_missing", "counter")


@dataclass(slots=True)
class Group:
    """Deviations that hang together."""

    clusters: set[int]
    controls: set[str]
    causes: set[int]
    keys: set[str]
    members: list[tuple[Deviation, bool]] = field(default_factory=list)  # (deviation, at a target)
    first_cause: int = 0


class Folder:
    """Collects deviations in the order they were noticed."""

    def __init__(self) -> None:
        self.groups: list[Group] = []

    def add(
        self,
        deviation: Deviation,
        *,
        clusters: tuple[int, ...],
        cause: int,
        control: str,
        key: str = "",
        targeted: bool = False,
    ) -> Group:
        """Join the group it belongs to, or begin one. `key`: a box message; `targeted`: the
        deviation is on a circuit that the control means to switch."""
        group = self._home(clusters, cause, control, key)
        if group is None:
            group = Group(set(clusters), set(), set(), set(), first_cause=cause)
            self.groups.append(group)
        if cause and cause in group.causes:
            group.clusters.update(clusters)
        if not group.members or cause == group.first_cause:
            group.clusters.update(clusters)
            if control:
                group.controls.add(control)
        if cause:
            group.causes.add(cause)
        if key:
            group.keys.add(key)
        group.members.append((deviation, targeted))
        return group

    def _home(self, clusters: tuple[int, ...], cause: int, control: str, key: str) -> Group | None:
        for group in self.groups:
            if key and key in group.keys:
                return group
            if cause and cause in group.causes:
                return group
            if group.clusters.intersection(clusters):
                return group
            if control and control in group.controls:
                return group
        return None

    def discrepancies(self) -> tuple[Discrepancy, ...]:
        """One for each group, numbered from 1 in order of first notice."""
        return tuple(self._discrepancy(i + 1, g) for i, g in enumerate(self.groups))

    @staticmethod
    def _discrepancy(number: int, group: Group) -> Discrepancy:
        at_first = [
            (d, targeted) for d, targeted in group.members if d.cause_t_ns == group.members[0][0].cause_t_ns
        ]
        root, _ = min(at_first, key=_headline)
        rest = tuple(d for d, _ in group.members if d is not root)
        also = tuple(dict.fromkeys(d.subject for d, _ in at_first if d.subject != root.subject))
        return Discrepancy(number, root.subject, root, rest, also)


def _headline(member: tuple[Deviation, bool]) -> tuple[bool, int, bool, int]:
    """What a person should read first: box-wide, then outputs of the circuits that were meant."""
    deviation, targeted = member
    kind = deviation.signal.split(":", 1)[0]
    return (
        deviation.kind not in _KINDS_FIRST,
        _RANK.get(kind, 5),
        not targeted,
        deviation.t_ns,
    )
