"""One pass through a step, and the questions it may ask about what is not known.

The step is written as if everything were known. Each question about an uncertain slot goes to a
chooser: the step is run once per possible answer, and the slot is narrowed to fit the answer. So the
set semantics follow from the plain step and need no code of their own.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from .levels import NO, OFF, YES, Levels, positive
from .tables import HAND, TIMER, TRIP, ClusterTable

Product = tuple[Any, ...]
T = TypeVar("T")
MOST_PASSES = 200


class TooMany(Exception):  # noqa: N818 - never leaves the oracle
    """More possible answers than worth following; the caller falls back to a superset."""


class Run:
    """Working copy `w` of a product, its state before the event `old`, and the path of answers."""

    __slots__ = ("asked", "before", "dirty", "limits", "old", "path", "t_hi", "t_lo", "table", "w")

    def __init__(self, table: ClusterTable, product: Product, t_lo: int, t_hi: int, path: list[int]) -> None:
        self.table = table
        self.w: list[Any] = list(product)
        self.old: list[Any] | None = None
        self.before = product
        self.t_lo, self.t_hi = t_lo, t_hi
        self.dirty = 0
        self.path, self.limits, self.asked = path, [0] * len(path), 0

    def past(self) -> list[Any]:
        """The state before the event, narrowed along with the present one."""
        if self.old is None:
            self.old = list(self.before)
        return self.old

    def choose(self, count: int) -> int:
        """One of `count` answers; every one gets its own pass."""
        at = self.asked
        self.asked = at + 1
        if at == len(self.path):
            self.path.append(0)
            self.limits.append(count)
        self.limits[at] = count
        return self.path[at]

    def narrow(self, v: list[Any], slot: int, value: Any) -> None:  # noqa: ANN401 - slots hold several types
        """Set a slot of `v` to a subset of what it held, in past and present alike where both are one."""
        w, old = self.w, self.past()
        held = v[slot]
        v[slot] = value
        if v is w:
            if old[slot] is held:
                old[slot] = value
        elif w[slot] is held:
            w[slot] = value


def explore(
    table: ClusterTable, product: Product, act: Callable[[Run], T], t_lo: int, t_hi: int
) -> list[tuple[T, Run]]:
    """What `act` gives on every path of answers, with the run it left. Raises TooMany."""
    run = Run(table, product, t_lo, t_hi, [])
    value = act(run)
    if not run.path:
        return [(value, run)]
    found = [(value, run)]
    path, limits = run.path, run.limits
    for _ in range(MOST_PASSES):
        while path and path[-1] + 1 >= limits[len(path) - 1]:
            path = path[:-1]
        if not path:
            return found
        run = Run(table, product, t_lo, t_hi, [*path[:-1], path[-1] + 1])
        found.append((act(run), run))
        path, limits = run.path, run.limits
    raise TooMany


def ask(run: Run, v: list[Any], slot: int) -> bool:
    """The answer in a three-valued slot."""
    x: int = v[slot]
    if x == NO:
        return False
    if x == YES:
        return True
    answer = YES if run.choose(2) else NO
    run.narrow(v, slot, answer)
    return answer == YES


def level_on(run: Run, v: list[Any], c: int) -> bool:
    """Is the stored level of circuit `c` above 0?"""
    s: Levels = v[c]
    if s[0][0] > 0.0:
        return True
    if s[-1][1] <= 0.0:
        return False
    if run.choose(2):
        run.narrow(v, c, positive(s))
        return True
    run.narrow(v, c, OFF)
    run.narrow(v, run.table.n * TIMER + c, None)
    return False


def any_level_on(run: Run, v: list[Any], members: list[int]) -> bool:
    """Is any of these on? One question; the yes branch is a superset when several are uncertain."""
    open_: list[int] = []
    for c in members:
        s: Levels = v[c]
        if s[0][0] > 0.0:
            return True
        if s[-1][1] > 0.0:
            open_.append(c)
    if not open_:
        return False
    if len(open_) == 1:
        return level_on(run, v, open_[0])
    if run.choose(2):
        return True
    for c in open_:
        run.narrow(v, c, OFF)
        run.narrow(v, run.table.n * TIMER + c, None)
    return False


def all_levels_on(run: Run, v: list[Any], members: list[int]) -> bool:
    """Are all of these on? One question; the no branch is a superset when several are uncertain."""
    open_: list[int] = []
    for c in members:
        s: Levels = v[c]
        if s[-1][1] <= 0.0:
            return False
        if s[0][0] <= 0.0:
            open_.append(c)
    if not open_:
        return True
    if len(open_) == 1:
        return level_on(run, v, open_[0])
    if not run.choose(2):
        return False
    for c in open_:
        run.narrow(v, c, positive(v[c]))
    return True


def awake(run: Run, v: list[Any], c: int) -> bool:
    """Is the box of circuit `c` awake?"""
    return ask(run, v, run.table.by_wake[c])


def by_hand(run: Run, v: list[Any], c: int) -> bool:
    """Is the circuit by hand as far as the box can know?"""
    t = run.table
    return t.sensed[c] and ask(run, v, t.n * HAND + c)


def tripped(run: Run, v: list[Any], c: int) -> bool:
    """Is the circuit's electronic fuse latched?"""
    return ask(run, v, run.table.n * TRIP + c)


def forced(run: Run, v: list[Any], c: int) -> int:
    """0 not forced, else 1 + 2 where presses are ignored + 4 where it passes over an inhibit."""
    found = 0
    for slot, lost, reads, ignores, passes in run.table.forced_by[c]:
        active = reads == 1 if reads >= 0 and ask(run, v, lost) else ask(run, v, slot)
        if active:
            found |= 1 | 2 * ignores | 4 * passes
    return found


def inhibited(run: Run, v: list[Any], c: int) -> bool:
    """Does any inhibitor of circuit `c` stand, or is it shed with presses refused?"""
    shed = run.table.shed_refuses[c]
    return (shed >= 0 and ask(run, v, shed)) or rule_inhibited(run, v, c)


def rule_inhibited(run: Run, v: list[Any], c: int) -> bool:
    """Does any inhibitor of circuit `c` stand?"""
    return any(source_on(run, v, sources, seen) for sources, seen in run.table.inhibited_by[c])


def source_on(run: Run, v: list[Any], sources: tuple[int, ...], sees_output: bool) -> bool:
    """The OR of the sources of a rule, as outputs the box knows or as commands."""
    seen = output_on if sees_output else command_on
    return any(seen(run, v, s) for s in sources)


def command_on(run: Run, v: list[Any], c: int) -> bool:
    """Is the circuit commanded on?"""
    return level_on(run, v, c) and awake(run, v, c)


def output_on(run: Run, v: list[Any], c: int) -> bool:
    """Is the output on as the box knows it? By hand > trip > force > inhibit > stored level."""
    t = run.table
    if not awake(run, v, c):
        return False
    if t.simple[c]:
        return (t.sensed[c] and ask(run, v, t.n * HAND + c)) or level_on(run, v, c)
    if by_hand(run, v, c):
        return True
    if tripped(run, v, c):
        return False
    force = forced(run, v, c)
    if force:
        return bool(force & 4) or not inhibited(run, v, c)
    return level_on(run, v, c)
