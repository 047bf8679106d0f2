"""Defects that single transitions do not show: presses that fail, or reach too far, while something else is
on, or after other keys."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator

from .edits import Together
from .faults import Fault
from .groups import SHARED, own_operations, within
from .inputs import channel_name
from .tables import Tables

Words = tuple[str, ...]

TRIES = 40  # at drawing one that was not drawn before
COUNTED = ("no", "one", "two", "three")


def cross_talk(tables: Tables, conditions: int, number: int, seed: int = 1) -> Iterator[Together]:
    """So many different ones: a key does nothing while a circuit of another group is on; of two, while one of
    them is on and the other on or off. Keys are all as likely, and so are circuits."""
    for words in _crossed(tables, conditions, number, f"cross-talk {conditions} {seed}"):
        yield Together((Fault("cross_talk", "/".join(words)),), f"cross-talk, {_circuits(conditions)}")


def stray_off(tables: Tables, conditions: int, number: int, seed: int = 1) -> Iterator[Together]:
    """The same of keys that do what they should, and switch the first circuit off as well."""
    for key, first, *others in _crossed(tables, conditions, number, f"stray off {conditions} {seed}"):
        argument = "/".join((key, first.removesuffix(" on"), *others))
        yield Together((Fault("stray_off", argument),), f"stray off, {_circuits(conditions)}")


def _circuits(conditions: int) -> str:
    return f"{COUNTED[conditions]} circuit{'s' if conditions > 1 else ''}"


def _crossed(tables: Tables, conditions: int, number: int, seed: str) -> Iterator[Words]:
    """A key, and circuits with how they are, of which the first is on."""
    chance, keys = random.Random(seed), _keys(tables)
    members = {n: tables.operation[n].members for n in keys}
    reached = {c for channels in members.values() for c in channels}
    foreign = {n: sorted(reached - within(members[n], tables)) for n in keys}

    def draw() -> Words | None:
        number = chance.choice(sorted(keys))
        if len(foreign[number]) < conditions:
            return None
        words = ["on", *chance.choices(("on", "off"), k=conditions - 1)]
        named = zip(chance.sample(foreign[number], conditions), words, strict=True)
        return keys[number], *(f"{channel_name(tables, c)} {word}" for c, word in named)

    yield from _different(draw, number)


def history(
    tables: Tables, length: int, number: int, seed: int = 1, *, shared: bool = False
) -> Iterator[Together]:
    """So many different ones: a key does nothing right after so many presses of keys of its own group.
    `shared`: keys that reach into several groups, after up to so many presses of keys of these groups."""
    chance, keys = random.Random(f"history {length} {shared} {seed}"), _keys(tables)
    among = {n: sorted(own_operations(tables, tables.operation[n]) & set(keys)) for n in keys}
    mine = [n for n in sorted(keys) if shared == (tables.operation[n].code in SHARED)]

    def draw() -> Words:
        number = chance.choice(mine)
        before = chance.choices(among[number], k=chance.randint(1, length) if shared else length)
        return tuple(keys[n] for n in (number, *before))

    several = f"history, {COUNTED[length]} key{'s' if length > 1 else ''} before"
    kind = "history of scenes, on and off" if shared else several
    for words in _different(draw, number if mine else 0):
        yield Together((Fault("after_keys", "/".join(words)),), kind)


def _keys(tables: Tables) -> dict[int, str]:
    """Operation -> a key that works it."""
    works = [k for k in reversed(tables.keys) if k.operation in tables.operation]
    return {k.operation: f"{k.node} {k.key}" for k in works}


def _different(draw: Callable[[], Words | None], number: int) -> Iterator[Words]:
    had = set[Words]()
    for _ in range(TRIES * number):
        if len(had) == number:
            return
        drawn = draw()
        if drawn is not None and drawn not in had:
            had.add(drawn)
            yield drawn
