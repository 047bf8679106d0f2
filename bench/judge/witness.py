"""The second witness: what a switching must change in the supply's own current, and what it did.

Readings of one setting of all circuits make a stretch. Where two stretches differ, the current must have
moved by what was switched between them. Each circuit is asked for apart: would the readings look otherwise if
it alone drew nothing? Only then can they tell of it, and only readings that a right load cannot explain,
whatever the others drew, say that it was not witnessed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from bench.loads import Drawn, Load, drawn, wander_a
from bench.loads.bands import BASE_A

NEEDED = 2  # readings that a setting must last for
MOST_BASES = 16
WITNESSED, NOT_WITNESSED = "witnessed", "not witnessed"
BELOW, OVERLAPPED, UNCLEAR = "below the limit", "overlapped", "unclear"


class Look(NamedTuple):
    """One reading. `levels`: circuit -> its output in percent all through it, where it stood still and was
    known; those that are left out may have done anything."""

    from_ns: int
    t_ns: int
    volts: float
    amps: float
    levels: Mapping[str, float]


class Shown(NamedTuple):
    """What the supply showed of circuits that were switched on (`on`) or off: of one, or of several of which
    it cannot be told apart. `moved_a`: how much it moved, `due_a`: at least, towards on or off."""

    circuits: tuple[str, ...]
    on: bool
    result: str
    t_ns: int
    moved_a: float
    due_a: float


@dataclass(slots=True)
class _Stretch:
    """Readings of one setting: the latest two, and how many there were."""

    levels: Mapping[str, float]
    last: tuple[Look, ...]
    count: int = 1

    @property
    def amps(self) -> tuple[float, float]:
        return min(k.amps for k in self.last), max(k.amps for k in self.last)

    def take(self, look: Look) -> None:
        self.last = (*self.last[1 - NEEDED :], look)
        self.count += 1


class Witness:
    """Takes readings in order; gives what they showed once a setting is over. `loads`: circuit -> what hangs
    on it; circuits without draw nothing. `limit_a`: no smaller step is told from none."""

    def __init__(self, loads: Mapping[str, Load], detects_a: float) -> None:
        self._loads, self.limit_a = loads, detects_a + 2 * BASE_A
        self._now: _Stretch | None = None
        self._bases: dict[frozenset[str], _Stretch] = {}  # by what was not known in it, latest last

    def begin_anew(self) -> None:
        """What was read before can no longer be compared with what comes."""
        self._now = None
        self._bases.clear()

    def take(self, look: Look) -> list[Shown]:
        """One more reading; what those before it showed, where it is of another setting."""
        if self._now is not None and look.levels == self._now.levels:
            self._now.take(look)
            return []
        found = self.close()
        self._now = _Stretch(look.levels, (look,))
        return found

    def close(self) -> list[Shown]:
        """No more readings of this setting."""
        now, self._now = self._now, None
        if now is None or now.count < NEEDED:
            return []
        unknown = frozenset(self._loads.keys() - now.levels.keys())
        base = next((b for u, b in reversed(self._bases.items()) if u <= unknown), None)
        self._bases.pop(unknown, None)
        self._bases[unknown] = now
        while len(self._bases) > MOST_BASES:
            del self._bases[next(iter(self._bases))]
        return [] if base is None else self._compare(base, now)

    # -- two settings

    def _compare(self, one: _Stretch, two: _Stretch) -> list[Shown]:
        volts = max(k.volts for k in (*one.last, *two.last))
        steps: dict[str, Drawn] = {}  # by how much each circuit may have moved the current
        switched = []
        for name, load in self._loads.items():
            a, b = one.levels.get(name), two.levels.get(name)
            if a == b and a is not None:
                by_a = wander_a(load, a, volts)
                steps[name] = Drawn(-by_a, by_a)
                continue
            before, after = drawn(load, a, volts), drawn(load, b, volts)
            steps[name] = Drawn(after.lo_a - before.hi_a, after.hi_a - before.lo_a)
            if a is not None and b is not None and min(a, b) <= 0.0:
                switched.append((name, b > a))
        slack = self.limit_a / 2
        may = Drawn(sum(s.lo_a for s in steps.values()) - slack, sum(s.hi_a for s in steps.values()) + slack)
        moved = Drawn(two.amps[0] - one.amps[1], two.amps[1] - one.amps[0])
        found = [self._one(n, on, steps[n], may, moved, two.last[0].t_ns) for n, on in switched]
        return self._jointly(found, may, moved)

    def _one(self, name: str, on: bool, step: Drawn, may: Drawn, moved: Drawn, t_ns: int) -> Shown:
        """What was shown of one circuit. Of one that went off all is turned round."""
        if not on:
            step, may, moved = _turned(step), _turned(may), _turned(moved)
        dead_most_a = may.hi_a - step.hi_a  # the most there may be if this one alone did nothing
        if step.lo_a <= self.limit_a:
            result = BELOW
        elif may.lo_a <= dead_most_a:
            result = OVERLAPPED
        elif moved.lo_a >= may.lo_a:
            result = WITNESSED
        elif moved.hi_a < may.lo_a and moved.hi_a <= dead_most_a:
            result = NOT_WITNESSED
        else:
            result = UNCLEAR
        return Shown((name,), on, result, t_ns, (moved.lo_a + moved.hi_a) / 2, max(0.0, may.lo_a))

    def _jointly(self, found: list[Shown], may: Drawn, moved: Drawn) -> list[Shown]:
        """Several that hide each other: that one of them did nothing may be sure all the same."""
        for on in (True, False):
            a, b = (may, moved) if on else (_turned(may), _turned(moved))
            hidden = [s for s in found if s.on is on and s.result in (OVERLAPPED, BELOW)]
            told = any(s.result in (NOT_WITNESSED, UNCLEAR) for s in found)
            if b.hi_a < a.lo_a and not told and any(s.result == OVERLAPPED for s in hidden):
                names = tuple(n for s in hidden for n in s.circuits)
                found = [s for s in found if s not in hidden]
                found.append(hidden[0]._replace(circuits=names, result=NOT_WITNESSED))
        return found


def _turned(drawn: Drawn) -> Drawn:
    return Drawn(-drawn.hi_a, -drawn.lo_a)
