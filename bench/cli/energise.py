"""Before a real box is energised: what will move, sound or get hot, and the question whether it may."""

from __future__ import annotations

from typing import TextIO

from bench.core.errors import Complaint, UsageError
from bench.report.text import hanging
from bench.spec.model import Circuit, Spec

NAVIGATION = ("masthead", "sidelights", "stern", "allround", "towing")
_GROUPS = (
    (
        "turns, pumps, moves or sounds",
        ("motor", "relay"),
        "keep clear; a pump must not run dry; a horn hurts at arm's length",
    ),
    ("gets hot", ("lamp", "resistive"), "let nothing lie on it"),
)


HAND_IN_BOX = (
    "a person works at the live box: one hand, no rings or bracelets, one circuit at a time, and only "
    "what the question names"
)


def hazards(spec: Spec, circuits: tuple[Circuit, ...] | None = None) -> list[str]:
    """Lines for people, one for each kind of hazard; `circuits`: those that will be switched (None: all)."""
    chosen = tuple(spec.circuits.values()) if circuits is None else circuits
    lines = []
    for title, loads, advice in _GROUPS:
        names = [c.name for c in chosen if c.load in loads]
        if names:
            lines.append(f"{title}: {', '.join(names)} ({advice})")
    lights = [c.name for c in chosen if c.light in NAVIGATION]
    if lights:
        lines.append(
            f"navigation lights: {', '.join(lights)} (cannot be relied on meanwhile; see to them afterwards)"
        )
    others = len(chosen) - len({c.name for c in chosen if c.load in ("motor", "relay", "lamp", "resistive")})
    if others:
        lines.append(f"and {others} more circuits go on and off")
    return lines


def confirm(
    spec: Spec, *, yes: bool, ask: TextIO, answer: TextIO | None, width: int = 100, hand_in_box: bool = False
) -> None:
    """Lists the hazards on `ask` and waits for "yes" on `answer`, unless `yes`. Blocks: for a person.
    `hand_in_box`: a person will be asked to work at the box.

    Raises: UsageError when the answer is another one, or nobody is there to give it.
    """
    ask.write("This run energises a real box:\n")
    for line in hazards(spec):
        ask.write("\n".join(hanging(line, width)) + "\n")
    if hand_in_box:
        ask.write("\n".join(hanging(HAND_IN_BOX, width)) + "\n")
    if yes:
        return
    if answer is None or not (ask.isatty() and answer.isatty()):  # None: closed when the program began
        text = "nobody is there to say that a real box may be energised"
        raise UsageError(Complaint(text, advice="if it may, say so: --yes"))
    ask.write("Fuses in, people clear, a way to cut the supply at hand? Type yes to begin: ")
    ask.flush()
    if answer.readline().strip().lower() != "yes":
        raise UsageError(Complaint("not confirmed; nothing was energised"))
