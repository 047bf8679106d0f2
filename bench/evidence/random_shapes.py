"""Shapes of clusters: each takes channels of a boat that is being drawn and gives them something to do."""

from __future__ import annotations

from itertools import pairwise

from bench.evidence.random_boat import Boat, Dimmer
from bench.evidence.random_draw import Draw, Shape


def draw(seed: int, channels: int, *, widest_group: int = 4) -> Boat:
    """The boat of this seed. `widest_group`: members of its first group."""
    return Draw(seed, channels, min(widest_group, channels), SHAPES).boat


def _plain(d: Draw, channels: list[int]) -> None:
    d.toggles(channels)


def _timer(d: Draw, channels: list[int]) -> None:
    for c in channels:
        d.at(c).off_s, d.at(c).off_within_s = d.chance.choice((3.0, 5.0, 8.0)), d.chance.choice((0.3, 0.5))
    d.toggles(channels)
    if len(channels) > 1:
        d.deed("group", channels, word=d.chance.choice(("all_off", "all_on")))


def _dimmer_of(d: Draw, hold_ms: int) -> Dimmer:
    chance = d.chance
    keeps = chance.choice(("no", "awake", "always"))
    return Dimmer(
        low_pct=chance.choice((5.0, 10.0)), hold_ms=hold_ms, sweep_s=chance.choice((2.0, 3.0, 4.0)),
        keeps=keeps, scene_counts=keeps != "no" and chance.random() < 0.5, turns_about=chance.random() < 0.5,
        stops=chance.random() < 0.5,
    )  # fmt: skip


def _dims(d: Draw, channels: list[int]) -> None:
    for c in channels:
        d.at(c).dimmer, d.at(c).load = _dimmer_of(d, d.chance.choice((450, 500, 700))), "led"
    d.toggles(channels)


def _held(d: Draw, channels: list[int]) -> None:
    for c in channels:
        d.deed("held", [c])
        if d.chance.random() < 0.4:
            d.deed("toggle", [c])


def _group(d: Draw, channels: list[int]) -> None:
    d.deed("group", channels, word=d.chance.choice(("all_off", "all_on")))
    d.toggles(channels, 0.6)


def _dim_group(d: Draw, channels: list[int]) -> None:
    for c in channels[1:]:
        d.at(c).dimmer, d.at(c).load = _dimmer_of(d, 500), "led"
    d.deed("group", channels, word=d.chance.choice(("all_off", "all_on")), dims=d.chance.random() < 0.7)
    d.toggles(channels, 0.7)


def _rows(d: Draw, channels: list[int]) -> tuple[tuple[int, ...], ...]:
    """Positions that differ; all of them together name every channel."""
    a, *rest = channels
    some = [(a,), tuple(channels), tuple(rest)] if rest else [(a,)]
    if d.chance.random() < 0.5:
        some = some[: max(2, len(some) - 1)]
    d.chance.shuffle(some)
    return (*some, ())


def _cycle(d: Draw, channels: list[int]) -> None:
    d.deed("cycle", rows=_rows(d, channels), word="derived")
    d.toggles(channels, 0.5)


def _counted(d: Draw, channels: list[int]) -> None:
    restarts = tuple(w for w in ("wake", "any_member_changed") if d.chance.random() < 0.5)
    after_s = d.chance.choice((0.0, 0.0, 4.0))
    d.deed("cycle", rows=_rows(d, channels), word="counter", restarts=restarts, restart_s=after_s)
    d.toggles(channels, 0.5)


def _forced(d: Draw, channels: list[int]) -> None:
    target, *rest = channels
    number = d.input()
    d.toggles(channels)
    if not number:
        return
    words = d.chance.choice(("ignored", "stored")), d.chance.choice(("passes", "yields"))
    d.rule("force", target, [number], *words)
    if d.chance.random() < 0.3 and (second := d.input()):
        d.rule("force", target, [second], *words)
    if rest and d.chance.random() < 0.5:
        d.rule("inhibit", target, rest[:1], d.chance.choice(("output", "command")))
        d.quarrel([target, rest[0]])
    elif rest:
        d.rule("force", rest[0], [number], d.chance.choice(("ignored", "stored")), "passes")


def _inhibits(d: Draw, channels: list[int]) -> None:
    target, *sources = channels
    sees = d.chance.choice(("output", "command"))
    d.rule("inhibit", target, sources, sees)
    for s in sources:
        d.quarrel([target, s])
    mutual = len(sources) == 1 and d.chance.random() < 0.5
    if mutual:
        d.rule("inhibit", sources[0], [target], sees)
    for c in channels:
        d.deed("held" if d.chance.random() < 0.4 else "toggle", [c])


def _follows(d: Draw, channels: list[int]) -> None:
    target, *sources = channels
    d.rule(
        "follow", target, sources, d.chance.choice(("keep", "drop")), d.chance.choice(("output", "command"))
    )
    d.toggles(channels)


def _chain(d: Draw, channels: list[int]) -> None:
    """Each follows the one before it, the first with a timer; the last keeps another one off."""
    *line, kept_off = channels
    d.at(line[0]).off_s, d.at(line[0]).off_within_s = 5.0, 0.5
    for before, after in pairwise(line):
        words = d.chance.choice(("keep", "drop")), d.chance.choice(("output", "command"))
        d.rule("follow", after, [before], *words)
    d.rule("inhibit", kept_off, line[-1:], d.chance.choice(("output", "command")))
    for c in line:
        d.quarrel([kept_off, c])
    d.toggles(channels)


SHAPES: tuple[tuple[Shape, int, int], ...] = (
    (_group, 2, 4), (_plain, 1, 2), (_timer, 1, 2), (_dims, 1, 2), (_held, 1, 1), (_dim_group, 2, 3),
    (_cycle, 2, 3), (_counted, 2, 3), (_forced, 1, 2), (_inhibits, 2, 3), (_follows, 2, 3), (_chain, 3, 4),
)  # fmt: skip
