"""Defects that single transitions do not show: presses that fail while something else is on, or after other
keys."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator

from .edits import Together
from .faults import Fault
from .groups import SHARED, own_operations, within
from .inputs import channel_name
from .tables import Tables

TRIES = 40  # at drawing one that was not drawn before
COUNTED = ("no", "one", "two", "three")


def cross_talk(tables: Tables, conditions: int, number: int, seed: int = 1) -> Iterator[Together]:
    """So many different ones: a key does nothing while a circuit of another group is on; of two, while one of
    them is on and the other on or off. Keys are all as likely, and so are circuits."""
    chance, keys = random.Random(f"cross-talk {conditions} {seed}"), _keys(tables)
    members = {n: tables.operation[n].members for n in keys}
    reached = {c for channels in members.values() for c in channels}
    foreign = {n: sorted(reached - within(members[n], tables)) for n in keys}

    def draw() -> str | None:
        number = chance.choice(sorted(keys))
        if len(foreign[number]) < conditions:
            return None
        words = ["on", *chance.choices(("on", "off"), k=conditions - 1)]
        named = zip(chance.sample(foreign[number], conditions), words, strict=True)
        return "/".join((keys[number], *(f"{channel_name(tables, c)} {word}" for c, word in named)))

    kind = f"cross-talk, {COUNTED[conditions]} circuit{'s' if conditions > 1 else ''}"
    for argument in _different(draw, number):
        yield Together((Fault("cross_talk", argument),), kind)


def history(
    tables: Tables, length: int, number: int, seed: int = 1, *, shared: bool = False
) -> Iterator[Together]:
    """So many different ones: a key does nothing right after so many presses of keys of its own group.
    `shared`: keys that reach into several groups, after up to so many presses of keys of these groups."""
    chance, keys = random.Random(f"history {length} {shared} {seed}"), _keys(tables)
    among = {n: sorted(own_operations(tables, tables.operation[n]) & set(keys)) for n in keys}
    mine = [n for n in sorted(keys) if shared == (tables.operation[n].code in SHARED)]

    def draw() -> str | None:
        number = chance.choice(mine)
        before = chance.choices(among[number], k=chance.randint(1, length) if shared else length)
        return "/".join(keys[n] for n in (number, *before))

    several = f"history, {COUNTED[length]} key{'s' if length > 1 else ''} before"
    kind = "history of scenes, on and off" if shared else several
    for argument in _different(draw, number if mine else 0):
        yield Together((Fault("after_keys", argument),), kind)


def _keys(tables: Tables) -> dict[int, str]:
    """Operation -> a key that works it."""
    works = [k for k in reversed(tables.keys) if k.operation in tables.operation]
    return {k.operation: f"{k.node} {k.key}" for k in works}


def _different(draw: Callable[[], str | None], number: int) -> Iterator[str]:
    had = set[str]()
    for _ in range(TRIES * number):
        if len(had) == number:
            return
        drawn = draw()
        if drawn is not None and drawn not in had:
            had.add(drawn)
            yield drawn
