"""What a plan is scored by: edits, pairs of them, defects of the box, what hides from single transitions."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence

from bench.twin import Fault, Tables
from bench.twin.defects import box_defects
from bench.twin.edits import double_edits, single_edits
from bench.twin.hidden import cross_talk, history, stray_off

from .score import Edit

PAIRS = 100  # of two edits at once
CROSSED = 100  # for one circuit, and for two
PASTS = 60  # for one key before, for two, and for three, and for shared keys


def every_edit(tables: Tables, sample: int | None, *, pairs: int = PAIRS) -> list[Edit]:
    """All kinds, at most `sample` of each; the same ones each time."""
    seeded: list[Fault] = [*single_edits(tables), *box_defects(tables)]
    return [
        *sampled(seeded, sample),
        *double_edits(tables, _most(pairs, sample)),
        *hidden(tables, sample),
    ]


def hidden(tables: Tables, sample: int | None) -> Iterator[Edit]:
    """Cross-talk and history."""
    yield from crossed(tables, sample)
    yield from pasts(tables, sample)


def crossed(tables: Tables, sample: int | None) -> Iterator[Edit]:
    """Cross-talk alone."""
    for circuits in (1, 2):
        yield from cross_talk(tables, circuits, _most(CROSSED, sample))
        yield from stray_off(tables, circuits, _most(CROSSED, sample))


def pasts(tables: Tables, sample: int | None) -> Iterator[Edit]:
    """History alone."""
    for keys in (1, 2, 3):
        yield from history(tables, keys, _most(PASTS, sample))
    yield from history(tables, 3, _most(PASTS, sample), shared=True)


def _most(number: int, sample: int | None) -> int:
    return number if sample is None else min(sample, number)


def sampled(edits: Sequence[Fault], most: int | None) -> list[Fault]:
    """At most so many of each kind, the same ones each time."""
    if most is None:
        return list(edits)
    by_kind: dict[str, list[Fault]] = {}
    for edit in edits:
        by_kind.setdefault(edit.kind, []).append(edit)
    chance = random.Random("edits")
    return [
        e for found in by_kind.values() for e in (found if len(found) <= most else chance.sample(found, most))
    ]
