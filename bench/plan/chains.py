"""How urgent each job is, learnt from plans in which it was done: the shortest of a few plans is kept."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

from .act import LOOSELY, NEVER, STRICTLY, Haste, Job
from .weaver import Woven

MOST_STEPS = 8_000  # of all plans that are tried; it says how long planning takes
MOST_TRIES = 6
WAYS = (STRICTLY, LOOSELY, NEVER)
MOST_IN_COMPANY = 3_000  # steps of all plans that are tried with keys in other company

Weave = Callable[[Haste | None, Woven | None], Woven]


def shortest(weave: Weave) -> Woven:
    """Of a few plans with the same jobs the shortest; then with keys in other company in idle time."""
    best = made = weave(None, None)
    ways: dict[str, tuple[float, Haste, Woven]] = {}
    took_ms: dict[str, float] = {}
    for n in range(min(MOST_TRIES, MOST_STEPS // (1 + len(made.steps)))):
        _learn(made, took_ms)
        tails_ms = tails(made.jobs, made.began_ms, took_ms)
        haste = Haste(tails_ms, WAYS[n % len(WAYS)])
        made = weave(haste, None)
        if _covered(made) >= _covered(best):
            if haste.reserves not in ways or made.end_ms < ways[haste.reserves][0]:
                ways[haste.reserves] = made.end_ms, haste, made
            best = made if made.end_ms < best.end_ms else best
    return _in_company(weave, best, sorted(ways.values(), key=lambda way: way[0]))


def _in_company(weave: Weave, best: Woven, ways: Sequence[tuple[float, Haste, Woven]]) -> Woven:
    """Woven into the shortest of each way, and again, as the first time tells better when what is idle. What
    adds most for its time is kept."""
    found, left = list[Woven](), MOST_IN_COMPANY
    for _, haste, made in ways or [(best.end_ms, Haste(), best)]:
        for _ in range(2):
            if not found or len(made.steps) <= left:
                made = weave(haste, made)
                left -= len(made.steps)
                found.append(made)
    return max((w for w in found if _covered(w) >= _covered(best)), key=_worth, default=best)


def _worth(woven: Woven) -> float:
    """A second more must add a hundredth of all circuits that are to be on beside a key, or of all pairs."""
    return 100.0 * (woven.share.of_single + woven.share.of_pairs) - woven.end_ms / 1e3


def tails(
    jobs: Iterable[Job], began_ms: Mapping[str, float], took_ms: Mapping[str, float]
) -> dict[str, float]:
    """Title of each job -> how long it takes and what comes after it in any of its clusters."""
    found: dict[str, float] = {}
    after: dict[int, float] = {}
    for job in sorted(jobs, key=lambda j: (j.stage, began_ms[j.title]), reverse=True):
        tail_ms = took_ms[job.title] + max((after.get(k, 0.0) for k in job.clusters), default=0.0)
        found[job.title] = tail_ms
        after.update(dict.fromkeys(job.clusters, tail_ms))
    return found


def _learn(made: Woven, took_ms: dict[str, float]) -> None:
    """The least that each job was seen to take; of a tour that is known."""
    for job in made.jobs:
        ms = job.time_ms or made.ended_ms[job.title] - made.began_ms[job.title]
        took_ms[job.title] = min(took_ms.get(job.title, ms), ms)


def _covered(made: Woven) -> set[str]:
    return {t for s in made.steps for t in s.covers}
