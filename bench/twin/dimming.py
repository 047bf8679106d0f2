"""Keys held to dim, and the ramps that they drive."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from bench.twin.channels import Channels
from bench.twin.tables import DimRow

Key = tuple[str, int]  # node name, key number


@dataclass(slots=True)
class DimHold:
    """A key held on an operation that dims. `live`: members whose hold is not spent."""

    key: Key
    since_ns: int
    went_on: bool
    live: set[int]
    clears: tuple[int, ...] = ()  # members tripped at the press
    ramps: dict[int, tuple[int, float, int]] = field(default_factory=dict)  # channel -> t0, level, direction


class Dimming:
    """`holds`: operation -> the key held on it."""

    def __init__(self, channels: Channels) -> None:
        self.channels = channels
        self.holds: dict[int, DimHold] = {}
        self.ramp_tick_ns = 10_000_000
        self._way: dict[int, int] = {}  # direction of a channel's latest hold

    def is_held(self, number: int) -> bool:
        """Whether a hold on this operation is not spent."""
        return number in self.holds and bool(self.holds[number].live)

    def end(self, number: int, members: Iterable[int], t_ns: int, now_ns: int) -> DimHold | None:
        """The key on an operation with these members came up. The hold, if it was a short press."""
        hold = self.holds[number]
        self.advance(t_ns, now_ns)
        del self.holds[number]
        short = not hold.ramps and t_ns < hold.since_ns + self._hold_ns(members)
        for c in hold.ramps:
            self._remember(c, hold, t_ns)
        return hold if short else None

    def _hold_ns(self, members: Iterable[int]) -> int:
        dims = [d for c in members if (d := self.channels.rows[c].dim)]
        return int(min((d.hold_ms for d in dims), default=0) * 1e6)

    def _remember(self, c: int, hold: DimHold, t_ns: int, writer: int = 0) -> None:
        """The end of a ramp sets the memory, and the way of the next hold. `writer`: the operation
        that has just set the level and so ended the ramp."""
        dim = self.channels.rows[c].dim
        if dim is None:
            return
        self._way[c] = ramp_way(dim, hold.ramps[c], t_ns)
        level = self.channels.stored[c]
        if writer and level > 0.0 and dim.scene_sets_memory:
            return  # a scene's level, remembered already
        if dim.memory != "none":
            reached = writer or level <= 0.0
            self.channels.memory[c] = ramp_level(dim, hold.ramps[c], t_ns) if reached else level

    # ---- ramps

    def advance(self, t_ns: int, now_ns: int) -> None:
        """Begin ramps that are due by `t_ns` and move the levels to that instant."""
        ch = self.channels
        for hold in self.holds.values():
            for c in sorted(hold.live):
                dim = ch.rows[c].dim
                if dim is None:  # it only waits for a short release
                    continue
                if ch.stored[c] <= 0.0:
                    hold.live.discard(c)
                    hold.ramps.pop(c, None)
                    continue
                start = hold.since_ns + int(dim.hold_ms * 1e6)
                if t_ns < start:
                    continue
                if c not in hold.ramps:
                    for other in self.holds.values():
                        if other is not hold and c in other.live:  # only one function moves a level
                            self._freeze(other, c, now_ns)
                    level = max(ch.stored[c], dim.min_pct)
                    hold.ramps[c] = (start, level, self._direction(c, dim, level))
                ch.write(c, ramp_level(dim, hold.ramps[c], t_ns), now_ns, 0)

    def _direction(self, c: int, dim: DimRow, level: float) -> int:
        way = -1
        if dim.turn == "alternate":
            way = -self._way.get(c, 1)
            if level <= dim.min_pct:
                way = 1
            elif level >= 100.0:
                way = -1
        return way

    def next_due(self, now_ns: int) -> int:
        """Next instant at which a hold does something, or 0."""
        due = []
        for hold in self.holds.values():
            for c in hold.live:
                dim = self.channels.rows[c].dim
                if dim is None:
                    continue
                if c not in hold.ramps:
                    due.append(max(hold.since_ns + int(dim.hold_ms * 1e6), now_ns + 1))
                elif not _at_rest(dim, hold.ramps[c], now_ns):
                    due.append(now_ns + self.ramp_tick_ns)
        return min(due, default=0)

    # ---- what spends a hold

    def freeze(self, c: int, now_ns: int, writer: int = 0) -> None:
        """A lock began, or the operation `writer` wrote the channel: ramps of others stop where they are."""
        for number, hold in self.holds.items():
            if number != writer:
                self._freeze(hold, c, now_ns, writer)

    def _freeze(self, hold: DimHold, c: int, now_ns: int, writer: int = 0) -> None:
        hold.live.discard(c)
        if c in hold.ramps:
            self._remember(c, hold, now_ns, writer)
            del hold.ramps[c]

    def freeze_node(self, node: str, now_ns: int) -> set[int]:
        """Held dimming keys of a lost node are spent at the present level; gives the channels."""
        frozen: set[int] = set()
        for number, hold in list(self.holds.items()):
            if hold.key[0] == node:
                frozen |= {c for c in hold.live if self.channels.rows[c].dim}
                for c in hold.ramps:
                    self._remember(c, hold, now_ns)
                del self.holds[number]
        return frozen

    def forget(self) -> None:
        """A wake-up or loss of supply: a ramp that was under way has ended where it was."""
        for hold in self.holds.values():
            for c in hold.ramps:
                dim = self.channels.rows[c].dim
                if dim and dim.memory != "none" and self.channels.stored[c] > 0.0:
                    self.channels.memory[c] = self.channels.stored[c]
        self.holds.clear()
        self._way.clear()


def ramp_level(dim: DimRow, ramp: tuple[int, float, int], t_ns: int) -> float:
    """Level of a ramp (start, level then, direction) at `t_ns`: constant speed, turning or stopping."""
    start, level, way = ramp
    width = 100.0 - dim.min_pct
    walked = (t_ns - start) * 1e-6 / dim.sweep_ms * width
    if dim.at_end == "stop":
        return min(100.0, max(dim.min_pct, level + way * walked))
    along = (100.0 - level if way < 0 else width + level - dim.min_pct) + walked
    along %= 2 * width
    return 100.0 - along if along <= width else dim.min_pct + along - width


def ramp_way(dim: DimRow, ramp: tuple[int, float, int], t_ns: int) -> int:
    """Direction in which a ramp moves at `t_ns` (+1 up, -1 down)."""
    start, level, way = ramp
    if dim.at_end == "stop":
        return way
    width = 100.0 - dim.min_pct
    along = 100.0 - level if way < 0 else width + level - dim.min_pct
    along += (t_ns - start) * 1e-6 / dim.sweep_ms * width
    return -1 if along % (2 * width) < width else 1


def _at_rest(dim: DimRow, ramp: tuple[int, float, int], now_ns: int) -> bool:
    if dim.at_end != "stop":
        return False
    level = ramp_level(dim, ramp, now_ns)
    return level <= dim.min_pct if ramp[2] < 0 else level >= 100.0
