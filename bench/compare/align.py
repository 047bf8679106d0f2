"""Which stimulus of one session is which of the other: by what was done, never by when."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from difflib import SequenceMatcher
from itertools import pairwise

from bench.compare.observe import Record, Stimulus
from bench.core.event import RELEASE

OTHER_CONTEXT = 1 << 32  # what a match is worth: one more match beats any number of better contexts
SAME_CONTEXT = OTHER_CONTEXT + 1
MOST_CELLS = 1_000_000  # a larger block is aligned by names alone

Fits = Callable[[int, int], bool]


def align(a: Record, b: Record) -> list[tuple[int, int]]:
    """Pairs (number in a, number in b), both rising: the most stimuli of equal kind, name and value that
    stand in the same order in both, and among such alignments one with the most equal contexts.
    """
    fits = context_fits(a, b)
    keys_a, keys_b = [s.key for s in a.stimuli], [s.key for s in b.stimuli]
    head = _common(zip(keys_a, keys_b, strict=False), lambda k: fits(k, k))
    m, n = len(keys_a), len(keys_b)
    rest = min(m, n) - head
    tail = _common(
        ((keys_a[m - 1 - k], keys_b[n - 1 - k]) for k in range(rest)),
        lambda k: fits(m - 1 - k, n - 1 - k),
    )
    pairs = [(k, k) for k in range(head)]
    if (m - head - tail) * (n - head - tail) <= MOST_CELLS:
        pairs += _best(keys_a, keys_b, (head, m - tail), (head, n - tail), fits)
    else:
        pairs += _by_names(keys_a, keys_b, (head, m - tail), (head, n - tail))
    return pairs + [(m - k, n - k) for k in range(tail, 0, -1)]


def context_fits(a: Record, b: Record) -> Fits:
    """Whether two stimuli met the same state: what they may change was reported alike before them.

    A circuit whose state changed within the respond time before a stimulus, or was not known, fits
    anything. A release meets what its press did, and always fits.
    """
    cache_a, cache_b = _Contexts(a), _Contexts(b)

    def fits(i: int, j: int) -> bool:
        if a.stimuli[i].kind == RELEASE:
            return True
        left, right = cache_a[i], cache_b[j]
        return all(right.get(s, v) == v for s, v in left.items())

    return fits


class _Contexts:
    def __init__(self, record: Record) -> None:
        self._record = record
        self._known: dict[int, dict[str, float]] = {}
        boxes = record.spec.boxes
        self._calm_ns = round(2e6 * max((b.respond_ms for b in boxes.values()), default=0.0))

    def __getitem__(self, number: int) -> dict[str, float]:
        if number not in self._known:
            self._known[number] = self._make(self._record.stimuli[number])
        return self._known[number]

    def _make(self, stimulus: Stimulus) -> dict[str, float]:
        record, out = self._record, {}
        for cluster in stimulus.reached:
            for circuit in record.model.clusters[cluster]:
                course = record.courses.get(f"state:{circuit}")
                now = course.at(stimulus.t_ns) if course else None
                before = course.at(stimulus.t_ns - self._calm_ns) if course else None
                if now is not None and now == before:
                    out[circuit] = now
        return out


def _common(pairs: object, fits: Callable[[int], bool]) -> int:
    count = 0
    for left, right in pairs:  # type: ignore[attr-defined]
        if left != right or not fits(count):
            break
        count += 1
    return count


Keys = Sequence[tuple[str, str, int]]
Span = tuple[int, int]


def _best(a: Keys, b: Keys, in_a: Span, in_b: Span, fits: Fits) -> list[tuple[int, int]]:
    """The alignment of greatest worth, by dynamic programming over the block."""
    rows, columns = range(*in_a), range(*in_b)
    worth = [[0] * (len(columns) + 1)]
    for i in rows:
        above, line = worth[-1], [0]
        for y, j in enumerate(columns):
            best = max(above[y + 1], line[y])
            if a[i] == b[j]:
                best = max(best, above[y] + (SAME_CONTEXT if fits(i, j) else OTHER_CONTEXT))
            line.append(best)
        worth.append(line)
    pairs, x, y = [], len(rows), len(columns)
    while x and y:
        here = worth[x][y]
        if here == worth[x - 1][y]:
            x -= 1
        elif here == worth[x][y - 1]:
            y -= 1
        else:
            x, y = x - 1, y - 1
            pairs.append((rows[x], columns[y]))
    return pairs[::-1]


def _by_names(a: Keys, b: Keys, in_a: Span, in_b: Span) -> list[tuple[int, int]]:
    matcher = SequenceMatcher(None, a[slice(*in_a)], b[slice(*in_b)], autojunk=False)
    return [
        (in_a[0] + block.a + k, in_b[0] + block.b + k)
        for block in matcher.get_matching_blocks()
        for k in range(block.size)
    ]


def unmatched(count: int, matched: Sequence[int]) -> list[int]:
    """Numbers of 0..count-1 that are not among the rising `matched`."""
    edges = [-1, *matched, count]
    return [k for left, right in pairwise(edges) for k in range(left + 1, right)]
