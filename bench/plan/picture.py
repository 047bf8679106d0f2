"""A cluster's machine as a picture: text in the Mermaid notation, for people to look at."""

from __future__ import annotations

from .machine import Machine, Move

_SAID = {"tap": "{}", "down": "{} down", "up": "{} up", "sensor": "{}", "end": "{} ends by itself"}


def picture(machine: Machine, moves: list[Move]) -> str:
    """A state diagram: what is on in each state, and which letter leads where."""
    lines = ["stateDiagram-v2", "    [*] --> s0"]
    shown = {0, *(m.tail for m in moves), *(m.head for m in moves)}
    for place in sorted(shown):
        lines.append(f"    s{place} : {_words(machine, place)}")
    arrows: dict[tuple[int, int], list[str]] = {}
    for move in moves:
        words = _SAID[move.letter.kind].format(move.letter.name)
        arrows.setdefault((move.tail, move.head), []).append(words)
    for (tail, head), names in sorted(arrows.items()):
        lines.append(f"    s{tail} --> s{head} : {', '.join(names)}")
    return "\n".join(lines) + "\n"


def _words(machine: Machine, place: int) -> str:
    at = machine.places[place]
    lit = [c for c, on in machine.on(place).items() if on]
    more = [f"{name} held" for name in sorted(at.held)] + [f"{name} active" for name in sorted(at.active)]
    return ", ".join([*(lit or ["all off"]), *more])
