"""Boxes that end a transition in a wrong state that looks right: whether a plan's steps would show it.

Each such box is tried along the steps, on the table of states that plan_recount finds in its own way.
"""

from __future__ import annotations

import re
from collections.abc import Hashable, Mapping, Sequence
from typing import Any, cast

from bench.evidence.plan_played import Step
from bench.evidence.plan_recount import Cluster, Done, table, waits, walked
from bench.oracle import Oracle
from bench.spec.model import Spec

To = Mapping[Done, Hashable]


def missed_apart(spec: Spec, plan: Mapping[str, Any], steps: Sequence[Step]) -> tuple[list[str], int]:
    """Clusters of a plan's file in which more such boxes pass than it says, and how many there are in all."""
    oracle = Oracle(spec)
    by = {tuple(t["circuits"]): t["by"] for t in plan["toured"]}
    said = plan["not_tested"].get("some transitions", "")
    found, counted = [], 0
    for k, circuits in enumerate(oracle.clusters):
        if by.get(circuits) != "transitions" or waits(spec, circuits):
            continue
        cluster = Cluster(spec, oracle, k)
        if cluster.sensors:  # what a forced circuit goes back to is not among what is told of a state
            continue
        made = table(cluster)
        if made is None:
            continue
        every, passing = boxes(made[1], walked(spec, cluster, steps))
        counted += every
        title = re.escape(", ".join(circuits))
        told = re.search(rf"(?:^|; ){title}: (\d+) wrong ends of a transition", said)
        if passing > (int(told[1]) if told else 0):
            found.append(f"{', '.join(circuits)}: {passing} of {every} wrong ends that look right")
    return found, counted


def boxes(to: To, walk: Sequence[Done]) -> tuple[int, int]:
    """How many boxes end a transition of the walk in a wrong state that looks right, and how many of them the
    walk does not show."""
    runs = [run for run in _runs(to, walk) if run]
    states = list(dict.fromkeys(state for state, _ in to))
    apart = _apart(to, states)
    every = passing = 0
    for fault in dict.fromkeys(one for run in runs for one in run):
        right = to[fault]
        for wrong in states:
            if wrong != right and _shows(wrong) == _shows(right) and (right, wrong) in apart:
                every += 1
                passing += not any(_shown(to, run, fault, wrong) for run in runs)
    return every, passing


def _runs(to: To, walk: Sequence[Done]) -> list[list[Done]]:
    """Parts of the walk in which each thing done begins where the one before it led."""
    runs: list[list[Done]] = [[]]
    for one in walk:
        if one not in to or (runs[-1] and to[runs[-1][-1]] != one[0]):
            runs.append([])
        if one in to:
            runs[-1].append(one)
    return runs


def _shows(state: Hashable) -> Hashable:
    told, down, active = cast(tuple[frozenset[tuple[Hashable, Hashable]], Hashable, Hashable], state)
    return frozenset(spans for spans, _ in told), down, active


def _apart(to: To, states: Sequence[Hashable]) -> set[tuple[Hashable, Hashable]]:
    """Pairs that letters can tell apart."""
    letters = list(dict.fromkeys(letter for _, letter in to))
    apart = {(a, b) for a in states for b in states if _shows(a) != _shows(b)}
    while True:
        more = {
            (a, b)
            for a in states
            for b in states
            if (a, b) not in apart and any((to[a, x], to[b, x]) in apart for x in letters)
        }
        if not more:
            return apart
        apart |= more


def _shown(to: To, run: Sequence[Done], fault: Done, wrong: Hashable) -> bool:
    box = run[0][0]
    for one in run:
        box = wrong if (box, one[1]) == fault else to[box, one[1]]
        if _shows(box) != _shows(to[one]):
            return True
    return False
