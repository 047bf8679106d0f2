"""Keys pressed there and back while a tour waits for a timer: elsewhere other things are on then."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

from .machine import Machine, Move

EVERY_MS = 1_500.0  # between two presses; others go on as well
NEAR_MS = 5_000.0  # to the timer's end, by when all is as it was


def there_and_back(machine: Machine, here: int, awaited: Collection[str]) -> Iterator[tuple[Move, Move]]:
    """Taps that show something, and those that put it back; what is awaited stays on meanwhile."""
    places = [i for i, c in enumerate(machine.circuits) if c in awaited]
    for out in machine.moves(here):
        levels, mine = machine.outputs[out.head], machine.outputs[here]
        if out.letter.kind != "tap" or levels == mine or any(levels[i] != mine[i] for i in places):
            continue
        for back in machine.moves(out.head):
            if back.letter.kind == "tap" and back.head == here:
                yield out, back
                break


def first_wait_first(moves: Sequence[Move], order: Sequence[int]) -> list[int]:
    """The same walk, where of its rounds from rest to rest one that waits for a timer comes first when there
    are several: what needs no timer is done when elsewhere more is on than at the beginning."""
    rounds: list[list[int]] = [[]]
    for n in order:
        rounds[-1].append(n)
        if moves[n].head == 0:
            rounds.append([])
    waits = [r for r in rounds if any(moves[n].letter.kind == "end" for n in r)]
    if len(waits) > 1:
        first = min(waits, key=len)
        rounds = [
            first,
            *(r for r in rounds if r is not first and r not in waits),
            *(r for r in waits if r is not first),
        ]
    return [n for r in rounds for n in r]
