"""The same closed walk in an order in which more different words of letters come up."""

from __future__ import annotations

from collections.abc import Hashable, Sequence

from .postman import Edge


def varied(
    edges: Sequence[Edge], order: Sequence[int], letters: Sequence[Hashable | None], length: int
) -> list[int]:
    """A closed walk that takes each edge as often as `order` does, from where that begins. Of the edges left
    at each place the one is taken that ends a word of `length` letters that was not had; None is no letter.
    What is left over when the walk is back is put in where it fits, in the same way."""
    left: dict[int, list[int]] = {}
    for n in order:
        left.setdefault(edges[n].tail, []).append(n)
    had = set[tuple[Hashable, ...]]()
    walk: list[int] = []
    at = 0
    while at <= len(walk):
        place = edges[walk[at]].tail if at < len(walk) else edges[order[0]].tail if order else 0
        if left.get(place):
            before = [x for n in walk[max(at - 4 * length, 0) : at] if (x := letters[n]) is not None]
            walk[at:at] = _round(edges, left, place, letters, before, had, length)
        at += 1
    return walk


def _round(
    edges: Sequence[Edge], left: dict[int, list[int]], place: int, letters: Sequence[Hashable | None],
    before: Sequence[Hashable], had: set[tuple[Hashable, ...]], length: int,
) -> list[int]:  # fmt: skip
    """From a place until nothing leads on, which is there again."""
    walk, said = list[int](), list(before)
    while ways := left.get(place):
        best = 0
        for i, n in enumerate(ways):
            letter = letters[n]
            if letter is None or (*said[len(said) - length + 1 :], letter) not in had:
                best = i
                break
        n = ways.pop(best)
        walk.append(n)
        if (letter := letters[n]) is not None:
            said.append(letter)
            had.add(tuple(said[-length:]))
        place = edges[n].head
    return walk
