"""Where no order is defined a cluster forks: stimuli close together, and a stimulus near the end of a timer.

What forks too much is only a loss of conclusiveness; a fork that is missing convicts a healthy box. So each
cluster takes its orders for itself, though in one box they hang together.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from bench.core.model import Cause, Model, State

from .order import Chain, Happened, instants
from .trace import FOREVER, Switch
from .world import Before, Root, World

MOST_ENDS = 3  # timers that end together before we say no more


class Forks:
    """Of one cluster. `order_ns`: stimuli closer than this have no defined order; `time_ns`: nor has a
    stimulus this close to the end of a timer, or to the loss of a panel, screen or sensor. `waits`: the
    box waits for a press to last before it counts."""

    def __init__(
        self, model: Model, number: int, order_ns: int, time_ns: int, *, waits: bool = False
    ) -> None:
        self._model, self._number = model, number
        self.order_ns, self.time_ns, self._waits = order_ns, time_ns, waits
        self.chain: Chain | None = None
        self.between: list[State] = []  # states that one of the orders passes through
        self.timed_ns = -FOREVER  # the latest stimulus about when a timer ended
        self._now_ns = -FOREVER

    def forget(self) -> None:
        """What follows has a defined order with what was."""
        self.chain = None

    def cannot_follow(self, who: str, t_ns: int, near_ns: int) -> bool:
        """Whether a stimulus comes so close to others that its orders are too many to tell: a box that
        waits for presses to last may count them in another order, and take one of them for none."""
        chain = self.chain
        return self._waits and chain is not None and chain.holds(t_ns, near_ns, but=who)

    # ---- one stimulus in one world
    def through(self, world: World, cause: Cause, switch: Switch, number: int) -> list[World]:
        """The worlds after a cause; timers that end near it may have ended before or not."""
        out: list[World] = []
        starts = [world]
        while (before := starts[-1].before) and switch.hi <= before.switch.hi + self.time_ns:
            starts.append(starts[-1].undone())
            self.between.append(starts[-1].state)
            self.timed_ns = self._now_ns
        for start in starts:
            start.ended_by(switch.hi)
            out += self._with_ends(start, cause, switch, number)
        return out

    def _with_ends(self, world: World, cause: Cause, switch: Switch, number: int) -> list[World]:
        out: list[World] = []
        first = [world]
        for ended in range(MOST_ENDS + 1):
            now = Switch(switch.lo + ended, switch.hi + ended)
            nexts = (
                [w for one in first for w in self._end_first(one, now, number)] if ended < MOST_ENDS else []
            )
            for one in first:
                out += self._step(one, cause, now, number)
            if not nexts:
                break
            first = nexts
        return out

    def _end_first(self, world: World, switch: Switch, number: int) -> list[World]:
        """Copies in which the next timer ends just before the stimulus; none when it is not near."""
        due = self._model.next_end(self._number, world.state)
        if due is None or due[0] > switch.hi + self.time_ns:
            return []
        lo = min(due[0], switch.lo)
        at = Switch(lo, max(lo, min(due[1], switch.hi)))
        states = self._model.fire(self._number, world.state)
        self.between += states
        self.timed_ns = self._now_ns
        return [w for w, _ in self.spread(world.copy(world.state), states, at, number)]

    def _step(self, world: World, cause: Cause, switch: Switch, number: int) -> list[World]:
        states = self._model.step(self._number, world.state, cause)
        return [w for w, _ in self.spread(world, states, switch, number)]

    def spread(
        self, world: World, states: Sequence[State], switch: Switch, number: int
    ) -> list[tuple[World, Switch]]:
        """One world for each state, each with its own copy of the past and of the switch."""
        copies = [world.copy(s) for s in states[1:]]
        world.state = states[0]
        out = [(w, Switch(switch.lo, switch.hi)) for w in (world, *copies)]
        for one, here in out:
            one.follow(self._model.courses(self._number, one.state), here, number)
        return out

    def fire(self, world: World, due: tuple[int, int], number: int) -> list[tuple[World, Switch]]:
        """What is `due` in a world happens. Where a timer ended or may have ended the worlds after it
        remember the state before: a stimulus may yet turn out to have come first."""
        before = world.state
        ends = due[1] > due[0] or self._model.next_end(self._number, before) == due
        states = self._model.fire(self._number, before)
        spread = self.spread(world, states, Switch(due[0], max(due)), number)
        if ends:
            for one, here in spread:
                one.before = Before(before, here, self.still_near(one.before, due[0]))
        return spread

    def still_near(self, before: Before | None, t_ns: int) -> Before | None:
        """`before`, where a stimulus at `t_ns` may still have come before what ended it."""
        return before if before and t_ns <= before.switch.hi + self.time_ns else None

    # ---- several stimuli
    def take(self, worlds: Sequence[World], event: Happened) -> list[World]:
        """The worlds after one more stimulus, in every order that it may have had.

        Raises: TooManyOrders.
        """
        self._now_ns = event.switch.hi
        if self.chain is not None and not self.chain.holds(event.switch.hi, event.near_ns):
            self.chain = None
        chain = self.chain
        if chain is not None:
            last = chain.events[-1].switch
            event.switch = Switch(max(event.switch.lo, last.lo + 1), max(event.switch.hi, last.hi + 1))
        else:
            self.between = [w.state for w in worlds]
        if chain is None and event.near_ns:
            for world in worlds:
                world.root = Root(world)
            chain = self.chain = Chain([w.copy(w.state) for w in worlds])
        spared = [w.copy(w.state) for w in worlds] if event.optional else []
        out = spared + self._all_causes(worlds, event, event.switch)
        if event.optional:
            out = list({w.outline(): w for w in reversed(out)}.values())
        self.between += [w.state for w in out]
        if chain is None:
            return out
        chain.events.append(event)
        return out + self._other_orders(chain, out, [event]) if len(chain.events) > 1 else out

    def rethink(
        self, worlds: Sequence[World], number: int, causes: Iterable[Cause], *, optional: bool
    ) -> list[World] | None:
        """A stimulus may have meant something else, or not have happened; None when that changes nothing.

        Raises: TooManyOrders.
        """
        event = self.chain.find(number) if self.chain else None
        if self.chain is None or event is None:
            return None
        new = [c for c in causes if c not in event.causes]
        if not new and (event.optional or not optional):
            return None
        event.causes += new
        event.optional = event.optional or optional
        return [*worlds, *self._other_orders(self.chain, worlds, [])]

    def _other_orders(self, chain: Chain, have: Sequence[World], last: list[Happened]) -> list[World]:
        """Worlds after the permitted orders, but those that end in `last`: they are among `have`."""
        seen = {w.outline() for w in have}
        out: list[World] = []
        for order in chain.orders():
            if last and order[-1:] == tuple(last):
                continue
            worlds = [b.copy(b.state) for b in chain.base]
            for event, switch in zip(order, instants(order), strict=True):
                worlds = self._all_causes(worlds, event, switch)
                self.between += [w.state for w in worlds]
            for world in worlds:
                outline = world.outline()
                if outline not in seen:
                    seen.add(outline)
                    out.append(world)
        self.between = list(dict.fromkeys(self.between))
        return out

    def _all_causes(self, worlds: Sequence[World], event: Happened, switch: Switch) -> list[World]:
        out: list[World] = []
        for world in worlds:
            copies = [world.copy(world.state) for _ in event.causes[1:]]
            for one, cause in zip((world, *copies), event.causes, strict=True):
                out += self.through(one, cause, switch, event.number)
        return out

    # ---- what else happens meanwhile
    def hear(self, t_ns: int, signal: str, value: float) -> None:
        """What is reported while stimuli may still join: it settles what was owed before them."""
        if self.chain is None:
            return
        if not self.chain.holds(t_ns, self.time_ns):
            self.chain = None
            return
        for world in self.chain.base:
            place, watch = world.watches[signal]
            watch.sample(world.traces[place], t_ns, value)

    def near_states(self, worlds: Sequence[World], t_ns: int) -> list[State]:
        """Every state the cluster may be in as far as a stimulus at `t_ns` can tell."""
        out = [w.state for w in worlds]
        if self.chain is not None and self.chain.holds(t_ns, self.time_ns):
            out += self.between
        for world in worlds:
            before: Before | None = world.before
            while before is not None and t_ns <= before.switch.hi + self.time_ns:
                out.append(before.state)
                before = before.earlier
            due = self._model.next_end(self._number, world.state)
            if due is not None and due[0] <= t_ns + self.time_ns:
                out += self._model.fire(self._number, world.state)
        return list(dict.fromkeys(out))

    def close(self, t_ns: int) -> set[int]:
        """Numbers of the stimuli that have no defined order with one at `t_ns`."""
        if self.chain is None:
            return set()
        return {e.number for e in self.chain.events if t_ns - e.switch.hi < self.order_ns}
