"""The supply low, in a short dip, too high, and up and down again slowly: what the boxes are then to do."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

from bench.core.event import SHED
from bench.core.plan import VOLTS, Plan, Step
from bench.spec.model import Function, Spec, SupplyLimits

from .play import Player

LOW = "supply low"  # tags, and the key under not tested
HIGH, RAMP, DIP = "supply high", "supply ramp", "supply dip"
BELOW_V, ABOVE_V = 0.5, 0.5  # beyond a limit by more than a bench supply is wrong
FOLLOWS_MS = 1000.0  # longest that a supply takes to be where it was set to
REPORT_MS = 1200.0  # then a box has measured, done and reported it
DIP_FOR, DIP_LEAST_S = 0.2, 1.0  # share of low_for_s; shorter ones no bench supply can do
RAMP_PCT, RAMP_MS = 5.0, 1000.0
HIGH_MS = 5000.0


@dataclass(frozen=True, slots=True)
class Rated:
    """What the supply of this bench is set to, and between which limits the plan may move it, in V; None: not
    that way."""

    volts: float
    least_v: float | None = None
    most_v: float | None = None


def with_low_supply(
    spec: Spec, plan: Plan, rated: Rated, limits_s: Mapping[str, float] | None = None
) -> Plan:
    """`plan`, and then what the spec says of a low supply, and that a dip, a ramp and a high one within the
    rating change nothing. `limits_s`: circuits with a limit stay off."""
    player = Player(spec, plan)
    phase = _Phase(player, rated, frozenset(limits_s or ()))
    left = phase.run()
    if not player.steps:
        return replace(plan, not_tested={**plan.not_tested, **left})
    player.to_rest("after the supply was moved")
    not_tested = {k: v for k, v in plan.not_tested.items() if k != LOW} | left
    return replace(
        plan, steps=(*plan.steps, *player.steps), duration_ms=player.t_ms,
        covered=(*plan.covered, *phase.covered()), not_tested=not_tested,
    )  # fmt: skip


class _Phase:
    def __init__(self, player: Player, rated: Rated, limited: Collection[str]) -> None:
        self._player, self._rated, self._limited = player, rated, limited
        self._spec = player.spec
        self._boxes = list(self._spec.boxes.values())
        self._pace = player.pace
        self._said: list[str] = []

    def covered(self) -> list[str]:
        """One line each."""
        return [f"{word}: {text}" for word, _, text in (s.partition(": ") for s in self._said)]

    def run(self) -> dict[str, str]:
        """Does what can be done; what is left out, and why."""
        left = {}
        low_v, why = self._low_v()
        if low_v is None:
            left[LOW] = why
        else:
            self._low(low_v)
        if self._rated.least_v is None and self._rated.most_v is None:
            left[RAMP] = left[HIGH] = _UNRATED
            return left
        ramp_v = self._ramp_v()
        if ramp_v is None:
            left[RAMP] = "nothing lies between what is low and what the supply is set to"
        else:
            self._ramp(ramp_v)
        if self._rated.most_v is None or self._rated.most_v < self._rated.volts + ABOVE_V:
            left[HIGH] = "the bench profile does not say how far its supply may be raised (supply.most_v)"
        else:
            self._high(self._rated.most_v)
        return left

    # -- which levels

    def _low_v(self) -> tuple[float | None, str]:
        unagreed = [b.name for b in self._boxes if b.supply is None]
        if unagreed:
            return None, f"what {', '.join(unagreed)} does then is not agreed, and one supply feeds all"
        limits = self._limits()
        good_v = max(x.ends_v for x in limits)
        if self._rated.volts < good_v + ABOVE_V:
            return None, f"the supply is set to {self._rated.volts:g} V, and is good above {good_v:g} V only"
        low_v = min(x.low_v for x in limits) - BELOW_V
        if self._rated.least_v is None:
            return None, "the bench profile does not say how far its supply may be lowered (supply.least_v)"
        if self._rated.least_v > low_v:
            return None, f"it takes {low_v:g} V, and the bench profile permits {self._rated.least_v:g} V"
        return low_v, ""

    def _limits(self) -> list[SupplyLimits]:
        return [b.supply for b in self._boxes if b.supply is not None]

    def _ramp_v(self) -> float | None:
        """The lowest at which nothing is low yet."""
        lows = [b.supply.ends_v if b.supply else 0.95 * b.supply_v for b in self._boxes]
        low_v = max([*lows, self._rated.least_v or 0.0]) + ABOVE_V
        return low_v if low_v < self._rated.volts else None

    # -- what is done

    def _volts(self, volts: float, then_ms: float, about: str, *tags: str) -> None:
        step = Step(self._player.t_ms, VOLTS, "supply", round(volts * 1000), about, tags)
        self._player.step(step, FOLLOWS_MS + then_ms + self._settles_ms + REPORT_MS)

    @property
    def _settles_ms(self) -> float:
        return max(b.respond_ms + b.settle_ms for b in self._boxes)

    def _on(self, names: Collection[str]) -> list[str]:
        """Brings these on; which are."""
        player = self._player
        player.to_rest("before the supply is moved")
        for name in names:
            player.do(player.desk.switch(name, on=True, about=f"{name} on, before the supply is moved"))
        return [n for n in self._spec.circuits if player.sim.on(n) is True]

    def _chosen(self, shed: Collection[str]) -> list[str]:
        """What is shed, and of each box one circuit that must stay."""
        out = [n for n in shed if self._may_run(n)]
        for box in self._boxes:
            stays = (c.name for c in self._spec.circuits.values() if c.box == box.name and c.name not in shed)
            out += [n for n in stays if self._may_run(n) and self._key(n) is not None][:1]
        return out

    def _may_run(self, name: str) -> bool:
        works = [f for f in self._spec.functions.values() if name in f.circuits]
        held = all(f.kind == "momentary" for f in works)
        return name not in self._limited and not held and self._player.desk.reach(name)

    def _key(self, name: str) -> Function | None:
        return self._player.desk.toggle_of.get(name)

    def _low(self, low_v: float) -> None:
        limits = self._limits()
        shed = [n for x in limits for n in x.sheds]
        on = self._on(self._chosen(shed))
        normal = self._rated.volts
        low_s = min(x.low_for_s for x in limits)
        if low_s >= DIP_LEAST_S:
            tag = f"{DIP} to {low_v:g} V, too short to count"
            step = Step(self._player.t_ms, VOLTS, "supply", round(low_v * 1000), tag, (tag,))
            self._player.step(step, DIP_FOR * low_s * 1000.0)
            self._volts(normal, 0.0, f"supply back to {normal:g} V: nothing has happened")
            self._said.append(f"{DIP}: to {low_v:g} V for {DIP_FOR * low_s:g} s, with {', '.join(on)} on")
        wait_ms = max(x.low_for_s for x in limits) * 1000.0
        self._volts(low_v, wait_ms, f"supply low: {low_v:g} V", *(f"{LOW} {b.name}" for b in self._boxes))
        self._follows(1)
        for name in self._pressed(shed):
            self._press_while_low(name)
        wait_ms = max(x.ends_for_s for x in limits) * 1000.0
        self._volts(normal, wait_ms, f"supply good again: {normal:g} V")
        self._follows(0)
        self._said.append(f"{LOW}: {low_v:g} V; {', '.join(shed) or 'nothing'} shed")
        for name in shed:
            self._press_after(name)

    def _follows(self, value: int) -> None:
        for box in self._boxes:
            word = "has shed" if value else "sheds no more"
            about = f"{box.name} {word} {', '.join(box.supply.sheds if box.supply else ())}"
            self._player.step(Step(self._player.t_ms, SHED, box.name, value, about), 0.0)
        self._player.t_ms += self._pace.dwell
        self._player.sim.advance(self._player.t_ms)

    def _pressed(self, shed: Collection[str]) -> list[str]:
        """All that refuse. Of those that can be switched on again every other one: the rest come back, or do
        not, untouched."""
        out = []
        for box in self._boxes:
            mine = [n for n in shed if self._spec.circuits[n].box == box.name]
            out += mine if box.supply and box.supply.presses == "refused" else mine[1::2]
        return out

    def _press_while_low(self, name: str) -> None:
        f = self._key(name)
        if f is None or not self._may_run(name):
            return
        for _ in range(2):
            refused = self._box_of(name).presses == "refused"
            about = f"{name} pressed at low supply ({'refused' if refused else 'allowed'})"
            self._player.do(self._player.desk.tap(f.name, "refused" if refused else "on", about))

    def _box_of(self, name: str) -> SupplyLimits:
        limits = self._spec.boxes[self._spec.circuits[name].box].supply
        assert limits is not None
        return limits

    def _press_after(self, name: str) -> None:
        """Its key works again."""
        f = self._key(name)
        if f is None or not self._may_run(name):
            return
        for _ in range(2):
            self._player.do(self._player.desk.tap(f.name, "on", f"{name} by its key after low supply"))

    def _high(self, most_v: float) -> None:
        on = self._on(self._chosen(()))
        self._volts(most_v, HIGH_MS, f"supply high: {most_v:g} V, nothing changes", f"{HIGH} {most_v:g} V")
        self._volts(self._rated.volts, 0.0, f"supply back to {self._rated.volts:g} V")
        self._said.append(f"{HIGH}: {most_v:g} V for {HIGH_MS / 1000:g} s, with {', '.join(on)} on")

    def _ramp(self, low_v: float) -> None:
        on = self._on(self._chosen(()))
        step_v, volts = self._rated.volts * RAMP_PCT / 100.0, [self._rated.volts]
        while volts[-1] - step_v > low_v:
            volts.append(round(volts[-1] - step_v, 3))
        volts.append(round(low_v, 3))
        for v in [*volts[1:], *volts[-2::-1]]:
            self._volts(v, RAMP_MS, f"supply at {v:g} V, nothing changes", f"{RAMP} {v:g} V")
        self._said.append(f"{RAMP}: {volts[0]:g} to {volts[-1]:g} V and back, with {', '.join(on)} on")


_UNRATED = "the bench profile does not say how far its supply may be moved (supply.least_v, supply.most_v)"
