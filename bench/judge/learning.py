"""What reports tell of a world that explains them: when something ended, and what was not known exactly."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from itertools import pairwise

from bench.core.model import Model
from bench.core.timeline import Steady

from .trace import Output
from .watch import Watch, fits
from .world import World, outline_of


class Learning:
    """Of one cluster. `time_ns`: a stimulus so close to the end of a timer may have come before it."""

    def __init__(self, model: Model, number: int, time_ns: int) -> None:
        self._model, self._number, self._time_ns = model, number, time_ns

    def told(
        self, world: World, place: int, watch: Watch[Output], t_ns: int, value: float, caused_ns: int,
        steady_ns: int,
    ) -> bool | None:  # fmt: skip
        """A value that a world explains resolves an uncertain end, and narrows what is not known exactly.
        Whether the world is narrower now; None: it is impossible after all. `caused_ns`: the latest cause;
        `steady_ns`: since when the signal has shown the value."""
        before, rule = world.before, watch.rule
        since_ns = t_ns - rule.window_ns
        if before:
            if since_ns > before.switch.hi + self._time_ns:
                world.before = None
            else:
                _resolve(world, place, watch, t_ns, value)
        trace = world.traces[place]
        course = trace.last.value.course
        latest_ns = max(trace.steady_since(), caused_ns, world.before.switch.hi if world.before else 0)
        if not isinstance(course, Steady) or latest_ns >= since_ns:
            return False
        tolerance = rule.tolerance
        spread = course.hi_pct - course.lo_pct
        if spread <= 2.5 * tolerance or (watch.state and not course.lo_pct <= 0 < course.hi_pct):
            return False
        if not watch.state and value > 0 and steady_ns > since_ns:
            return False  # it may be on its way
        low, high = (0.0, 0.0) if value <= 0 else (max(value - tolerance, 1e-6), value + tolerance)
        if watch.state and value > 0:
            low, high = 1.0, 1.0
        return self.keep(world, rule.signal, low, high)

    def keep(self, world: World, signal: str, low: float, high: float) -> bool | None:
        """Narrow a world to what shows a value in [low, high]. Whether it is narrower now; None: no way."""
        state = self._model.keep(self._number, world.state, signal, low, high)
        if state is None:
            return None
        if state == world.state:
            return False
        world.narrow(state, self._model.courses(self._number, state))
        return True


def _resolve(world: World, place: int, watch: Watch[Output], t_ns: int, value: float) -> None:
    """An uncertain end is one shared unknown: what one signal shows of it binds all."""
    assert world.before
    end = world.before.switch
    segments, rule = world.traces[place].segments, watch.rule
    at = next((i for i, s in enumerate(segments) if i and s.switch is end), None)
    if at is None:
        return
    still = [s for s, after in pairwise(segments[: at + 1]) if after.switch.hi >= t_ns - rule.window_ns]
    previous = any(fits(s.value, rule, value, t_ns) for s in (*still, segments[at - 1]))
    after = any(fits(s.value, rule, value, t_ns) for s in segments[at:])
    if after and not previous:
        end.hi = max(end.lo, min(end.hi, t_ns + rule.jitter_ns))
        world.before = None
    elif previous and not after:
        end.lo = min(end.hi, max(end.lo, t_ns - rule.window_ns))


def merged(worlds: Sequence[World], since_ns: int) -> list[World]:
    """Worlds of equal state whose pasts no longer matter, as nothing changed after `since_ns`, are one."""
    out: dict[Hashable, World] = {}
    rest = []
    for world in worlds:
        if not world.at_rest(since_ns):
            rest.append(world)
        else:
            out.setdefault((world.state, outline_of(world.before)), world)
    return [*out.values(), *rest]
