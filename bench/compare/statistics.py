"""Measures and tests. Pure functions over numbers; each says where its definition comes from.

Moments, autocorrelation: checked against NIST StRD (tests/published). Ranks and adjustment: scipy.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import ceil, comb, fsum, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Numbers = Sequence[float]
EXACT_CELLS = 20_000_000  # work for an exact distribution; beyond it the normal approximation is good
WALSH_MOST = 400
ARITHMETIC = 1e-9  # variation below this is rounding of float64, not of an instrument


def mean(x: Numbers) -> float:
    """Arithmetic mean, exactly summed. Raises: ValueError for no numbers."""
    if not x:
        raise ValueError("the mean of no numbers")
    return fsum(x) / len(x)


def deviation(x: Numbers) -> float:
    """Sample standard deviation (n - 1), two passes. Raises: ValueError below two numbers."""
    if len(x) < 2:
        raise ValueError("a standard deviation needs two numbers")
    middle = mean(x)
    return sqrt(fsum((v - middle) ** 2 for v in x) / (len(x) - 1))


def autocorrelation(x: Numbers) -> float:
    """Lag-1 autocorrelation, sum((x_i - m)(x_i+1 - m)) / sum((x_i - m)^2); 0 where nothing varies."""
    middle = mean(x)
    away = [v - middle for v in x]
    total = fsum(v * v for v in away)
    return fsum(p * q for p, q in pairwise(away)) / total if total else 0.0


def thinning(runs: Sequence[Numbers]) -> int:
    """Every how many-th number of several runs may be taken for independent of the one before it.

    1 where the lag-1 autocorrelation r about each run's own mean is no more than 2 / sqrt(n), else the
    whole number from (1 + r) / (1 - r) up: so many times fewer independent numbers an AR(1) series of
    that r is worth.
    """
    away = [[v - mean(run) for v in run] for run in runs if run]
    count = sum(map(len, away))
    total = fsum(v * v for run in away for v in run)
    if count < 4 or total <= count * ARITHMETIC**2:
        return 1
    r = fsum(p * q for run in away for p, q in pairwise(run)) / total
    return 1 if r <= 2 / sqrt(count) else ceil((1 + r) / max(1 - r, 0.05))


def independent(a: Sequence[Numbers], b: Sequence[Numbers]) -> tuple[list[float], list[float]]:
    """All numbers of the runs of two sessions, both thinned alike.

    Where there are equally many runs, what counts is how their differences hang together, run by run:
    what moves both alike (a supply that sags at the same step) is no noise of the comparison.
    """
    if len(a) == len(b):
        every = thinning([[y - x for x, y in zip(p, q, strict=False)] for p, q in zip(a, b, strict=True)])
    else:
        every = max(thinning(a), thinning(b))
    return [v for run in a for v in run[::every]], [v for run in b for v in run[::every]]


def median(x: Numbers) -> float:
    """The middle number, or the mean of the two middle ones."""
    return float(np.median(np.asarray(x, dtype=float)))


def walsh_median(d: Numbers) -> float:
    """Hodges-Lehmann estimate of the centre of paired differences: median of their Walsh averages.

    Source: Hodges and Lehmann 1963, from memory. Beyond 400 numbers every k-th in order is taken.
    """
    x = _ordered(d)
    i, j = np.triu_indices(len(x))
    return float(np.median((x[i] + x[j]) / 2))


def shift(a: Numbers, b: Numbers) -> float:
    """Hodges-Lehmann estimate of how far `b` lies above `a`: median of all differences b - a."""
    return float(np.median(np.subtract.outer(_ordered(b), _ordered(a))))


def cliffs_delta(a: Numbers, b: Numbers) -> float:
    """P(b > a) - P(b < a), from -1 to 1. Source: Cliff 1993, from memory."""
    return float(np.mean(np.sign(np.subtract.outer(np.asarray(b, float), np.asarray(a, float)))))


def _ordered(x: Numbers) -> NDArray[np.float64]:
    out = np.sort(np.asarray(x, dtype=float))
    return (
        out if len(out) <= WALSH_MOST else out[np.linspace(0, len(out) - 1, WALSH_MOST).round().astype(int)]
    )


def rank_sum_p(a: Numbers, b: Numbers, *, side: str = "both") -> float:
    """p of the Mann-Whitney (Wilcoxon rank-sum) test of a against b; `side`: both, or whether a lies
    `below` or `above` b.

    Exact with ties as far as that is affordable: the permutation distribution of the sum of midranks.
    Else scipy.stats.mannwhitneyu with its normal approximation, tie and continuity corrected.
    """
    if not len(a) or not len(b):
        return 1.0
    if len(a) > len(b):
        a, b, side = b, a, {"below": "above", "above": "below"}.get(side, side)
    n, total = len(a), len(a) + len(b)
    doubled = np.rint(2 * stats.rankdata([*a, *b])).astype(int)
    if doubled.min() == doubled.max():
        return 1.0
    if n * total * n * 2 * total <= EXACT_CELLS:
        return _exact(doubled, n, side)
    if side == "both":
        return float(stats.mannwhitneyu(a, b, alternative="two-sided", method="asymptotic").pvalue)
    if side == "below":
        return float(stats.mannwhitneyu(a, b, alternative="less", method="asymptotic").pvalue)
    return float(stats.mannwhitneyu(a, b, alternative="greater", method="asymptotic").pvalue)


def _exact(doubled: NDArray[np.int64], n: int, side: str) -> float:
    """How often n of these doubled midranks, drawn at random, sum as far out as the first n do."""
    most = int(np.sort(doubled)[-n:].sum())
    ways = np.zeros((n + 1, most + 1))
    ways[0, 0] = 1.0
    for rank in doubled.tolist():
        for k in range(n, 0, -1):
            ways[k, rank:] += ways[k - 1, : most + 1 - rank]
    sums, seen = np.arange(most + 1), int(doubled[:n].sum())
    middle = n * doubled.sum() / len(doubled)
    if side == "both":
        far = np.abs(sums - middle) >= abs(seen - middle) - 1e-9
    else:
        far = sums <= seen if side == "below" else sums >= seen
    return min(1.0, float(ways[n, far].sum() / comb(len(doubled), n)))


def within_p(a: Numbers, b: Numbers, margin: float) -> float:
    """p of the test that b is shifted against a by no more than `margin`: two one-sided rank-sum tests,
    the larger p of both (TOST; source: Schuirmann 1987, from memory)."""
    lower = rank_sum_p([v - margin for v in a], b, side="below")
    return max(lower, rank_sum_p([v + margin for v in a], b, side="above"))


def least_p(n_a: int, n_b: int) -> float:
    """The smallest two-sided p that a rank-sum test of so many numbers can reach without ties."""
    return min(1.0, 2 / comb(n_a + n_b, min(n_a, n_b))) if n_a and n_b else 1.0


def signed_rank_p(d: Numbers) -> float:
    """Two-sided p of Wilcoxon's signed-rank test that differences are symmetric about 0 (scipy)."""
    x = np.asarray([v for v in d if v], dtype=float)
    if not len(x):
        return 1.0
    ties = len(np.unique(np.abs(x))) < len(x)
    if len(x) <= 50 and not ties:
        return float(stats.wilcoxon(x, method="exact").pvalue)
    return float(stats.wilcoxon(x, method="approx").pvalue)


def least_signed_p(n: int) -> float:
    """The smallest two-sided p that the signed-rank test of n differences can reach."""
    return min(1.0, 2.0 ** (1 - n))


def adjusted(p: Numbers) -> list[float]:
    """Benjamini-Hochberg adjusted p values (scipy.stats.false_discovery_control)."""
    return [float(v) for v in stats.false_discovery_control(list(p), method="bh")] if p else []
