"""How urgent each job is, learnt from plans in which it was done: the shortest of a few plans is kept."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from .act import LOOSELY, NEVER, STRICTLY, Haste, Job
from .weaver import Woven

MOST_STEPS = 8_000  # of all plans that are tried; it says how long planning takes
MOST_TRIES = 6
WAYS = (STRICTLY, LOOSELY, NEVER)


def shortest(weave: Callable[[Haste | None, Woven | None], Woven]) -> Woven:
    """Of a few plans with the same jobs the shortest; then with keys in other company in idle time."""
    best = made = weave(None, None)
    ways = list[tuple[float, int, Haste]]()
    took_ms: dict[str, float] = {}
    for n in range(min(MOST_TRIES, MOST_STEPS // (1 + len(made.steps)))):
        _learn(made, took_ms)
        tails_ms = tails(made.jobs, made.began_ms, took_ms)
        haste = Haste(tails_ms, WAYS[n % len(WAYS)])
        made = weave(haste, None)
        if _covered(made) >= _covered(best):
            ways.append((made.end_ms, n, haste))
            best = made if made.end_ms < best.end_ms else best
    made = weave(min(ways)[2] if ways else None, best)
    return made if _covered(made) >= _covered(best) else best


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
