"""Deviations to discrepancies: one root, and what followed from it.

A deviation joins a discrepancy when it belongs to a cluster that has already deviated in it, may
have the same cause, came from a control that has already led to it, or concerns the same message
of a box. Nothing is dropped: what is folded is kept under its root, and a fold never turns a fail
into anything else.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial

from bench.core.verdict import Deviation, Discrepancy

_RANK = {"box": 0, "state": 1, "level": 1, "fault": 2, "current": 3, "lamp": 4, "backlight": 4}
NEAR_NS = 1_000_000_000
SYSTEMIC = 3  # so many circuits of a box late, each by itself: the box is late


@dataclass(frozen=True, slots=True)
class Mark:
    """What a deviation may have in common with others.

    `causes`: numbers of the stimuli it may come from; `control`: the one it is put down to; `key`:
    a message or trait of a box; `targeted`: the control means to switch this circuit; `leaders`:
    circuits that it follows; `amps`: a current seen and the band it should lie in.
    """

    clusters: tuple[int, ...] = ()
    causes: tuple[int, ...] = ()
    control: str = ""
    key: str = ""
    box: str = ""
    targeted: bool = False
    leaders: tuple[str, ...] = ()
    amps: tuple[float, float, float] | None = None


@dataclass(slots=True)
class Group:
    """Deviations that hang together."""

    clusters: set[int] = field(default_factory=set)
    controls: set[str] = field(default_factory=set)
    causes: set[int] = field(default_factory=set)
    keys: set[str] = field(default_factory=set)
    members: list[tuple[Deviation, Mark]] = field(default_factory=list)

    def shares(self, mark: Mark) -> bool:
        """Whether a deviation so marked belongs here."""
        return bool(
            (mark.key and mark.key in self.keys)
            or self.causes.intersection(mark.causes)
            or self.clusters.intersection(mark.clusters)
            or (mark.control and mark.control in self.controls)
        )

    def take(self, deviation: Deviation, mark: Mark) -> None:
        """One more. Only what began together spreads to further clusters and controls."""
        first = not self.members
        if first or self.causes.intersection(mark.causes):
            self.clusters.update(mark.clusters)
        if first and mark.control:
            self.controls.add(mark.control)
        if first or not mark.causes or len(mark.causes) == 1:
            self.causes.update(mark.causes)
        if mark.key:
            self.keys.add(mark.key)
        self.members.append((deviation, mark))

    def absorb(self, other: Group) -> None:
        """Another group turns out to be the same finding."""
        self.clusters |= other.clusters
        self.controls |= other.controls
        self.causes |= other.causes
        self.keys |= other.keys
        self.members += other.members

    @property
    def box(self) -> str:
        """The box it began at."""
        return self.members[0][1].box

    def beside(self, times: list[int]) -> bool:
        """Whether all of it was noticed near one of these instants."""
        return all(any(abs(d.t_ns - t) <= NEAR_NS for t in times) for d, _ in self.members)

    def led(self, deviation: Deviation, mark: Mark) -> bool:
        """Whether a circuit that it follows wrongly went the same way just then, whatever key was pressed."""
        return any(
            d.subject in mark.leaders
            and abs(d.t_ns - deviation.t_ns) <= NEAR_NS
            and (d.seen == "off") == (deviation.seen == "off")
            for d, _ in self.members
        )

    def copy(self) -> Group:
        """For joining without changing what was collected."""
        return replace(self, members=list(self.members))

    def late(self) -> list[tuple[Deviation, Mark]]:
        """What did change as it should, too late: told so, or given up and then shown after all."""
        missed: dict[tuple[int, str], Deviation] = {}
        late = []
        for deviation, mark in sorted(self.members, key=lambda m: m[0].t_ns):
            of = _rank(deviation), deviation.subject  # a circuit's state may show in its level
            before = missed.get(of)
            if deviation.kind == "late":
                late.append((deviation, mark))
            elif deviation.kind == "missing":
                missed[of] = deviation
            elif before and deviation.seen == before.expected and deviation.t_ns - before.t_ns <= NEAR_NS:
                late.append((deviation, mark))
        return late


class Folder:
    """Collects deviations in the order they were noticed."""

    def __init__(self) -> None:
        self.groups: list[Group] = []

    def add(self, deviation: Deviation, mark: Mark) -> None:
        """Join the group it belongs to, or begin one; what it connects becomes one."""
        home, *others = [g for g in self.groups if g.shares(mark)] or [Group()]
        if not home.members:
            self.groups.append(home)
        for other in others:
            home.absorb(other)
            self.groups = [g for g in self.groups if g is not other]
        home.take(deviation, mark)

    def discrepancies(self) -> tuple[Discrepancy, ...]:
        """One for each group, numbered from 1 in order of first notice."""
        groups = _join_late(_join_exchanged(_join_box([g.copy() for g in self.groups])))
        return tuple(_discrepancy(i + 1, g) for i, g in enumerate(groups))


def _merged(groups: list[Group], parts: list[Group], head: Deviation | None = None) -> list[Group]:
    members = [m for g in parts for m in g.members]
    if head is not None:
        members.insert(0, (head, Mark()))
    joined = Group(members=members)
    out = [joined if g is parts[0] else g for g in groups]
    return [g for g in out if g is joined or not any(g is p for p in parts)]


def _join_exchanged(groups: list[Group]) -> list[Group]:
    """Two circuits that draw each other's current are one finding."""
    for i, a in enumerate(groups):
        for b in groups[i + 1 :]:
            if _exchanged(a, b):
                return _join_exchanged(_merged(groups, [a, b]))
    return groups


def _exchanged(a: Group, b: Group) -> bool:
    if any(d.kind != "current" for d, _ in (*a.members, *b.members)):
        return False
    return any(
        mine[1] <= other[0] <= mine[2] and other[1] <= mine[0] <= other[2]
        for _, m in a.members
        for _, o in b.members
        if (mine := m.amps) and (other := o.amps)
    )


def _join_late(groups: list[Group]) -> list[Group]:
    """Where everything is answered late, that is the finding, and what else is amiss follows from it."""
    late = [g for g in groups if g.late()]
    shown = [m for g in late for m in g.late()]
    subjects = {d.subject for d, _ in shown}
    is_one = len(late) == 1 and _is_all_over(late[0], shown)
    if (len(late) < 2 and not is_one) or len(subjects) < SYSTEMIC or 2 * len(late) < len(groups):
        return groups
    first, mark = late[0].members[0]
    seen = f"{len(subjects)} circuits and keys shown late"
    head = replace(first, kind="late", signal=f"box:{mark.box}", subject=mark.box, seen=seen)
    return _merged(groups, list(groups), head)


def _is_all_over(group: Group, shown: list[tuple[Deviation, Mark]]) -> bool:
    """Whether most of what hangs together only by when it was done is late, after several keys that have
    nothing to do with each other."""
    subjects = {d.subject for d, _ in group.members}
    controls = {d.cause_control for d, _ in shown} - {""}
    clusters = {c for _, mark in shown for c in mark.clusters}
    most = 2 * len({d.subject for d, _ in shown}) >= len(subjects)
    return most and min(len(controls), len(clusters)) >= SYSTEMIC


def _join_box(groups: list[Group]) -> list[Group]:
    """What deviates while its box as a whole does (restart, missing frames) follows from that."""
    for group in groups:
        times = [d.t_ns for d, _ in group.members if d.signal.startswith("box:")]
        if not times:
            continue
        restart = any(d.kind == "restart" for d, _ in group.members)  # one box may run another's logic
        parts = [g for g in groups if g is not group and (restart or g.box == group.box) and g.beside(times)]
        if parts:
            rest = [g for g in groups if not any(g is p for p in parts)]
            group.members += [m for p in parts for m in p.members]
            return _join_box(rest)
    return groups


def _discrepancy(number: int, group: Group) -> Discrepancy:
    root = min(group.members, key=partial(_headline, group))[0]
    rest = tuple(d for d, _ in group.members if d is not root)
    at_once = (d for d, _ in group.members if d.t_ns == root.t_ns or d.cause_t_ns == root.cause_t_ns)
    together = [*(d.subject for d in at_once), *(d.subject for d, _ in group.members if d.kind == "current")]
    also = tuple(s for s in dict.fromkeys(together) if s != root.subject)
    return Discrepancy(number, root.subject, root, rest, also)


def _headline(group: Group, member: tuple[Deviation, Mark]) -> tuple[int, bool, bool, bool, bool, int]:
    """What a person should read first: box-wide, then outputs, of the circuits that did not just go with one
    they follow, of those that were meant, and of those that lead others."""
    deviation, mark = member
    rank = _rank(deviation)
    late = deviation.kind == "late" and rank > 0
    went_along = bool(mark.leaders) and group.led(deviation, mark)
    return rank, late, went_along, not mark.targeted, bool(mark.leaders), deviation.t_ns


def _rank(deviation: Deviation) -> int:
    return _RANK.get(deviation.signal.split(":", 1)[0], 5)
