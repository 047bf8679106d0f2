"""The virtual box from the words of a command line: which boat, which fault, which seed."""

from __future__ import annotations

from bench.cli.boats import BOATS
from bench.cli.parser import nearest
from bench.core.errors import Complaint, UsageError
from bench.twin import Fault, Twin


def make_twin(word: str, *, fault: str | None = None, seed: int = 1, start_ns: int = 0) -> Twin:
    """The virtual box of a shipped boat (demo, dunlin, fulmar), healthy or with one seeded fault.

    Raises: UsageError for a boat that has no virtual box, and as `parse_fault`.
    """
    from bench.lab.api import boat_tables

    if word not in BOATS:
        right = nearest(word, BOATS)
        advice = f"did you mean {right}?" if right else ""
        raise UsageError(
            Complaint(f"there is no virtual box for {word}", expected=" | ".join(BOATS), advice=advice)
        )
    return Twin(boat_tables(BOATS[word]), seed=seed, faults=parse_faults(fault), start_ns=start_ns)


def parse_faults(text: str | None) -> tuple[Fault, ...]:
    """No fault, or the one that `KIND[:ARG]` names.

    Raises: UsageError for an unknown kind, with the nearest right one.
    """
    if text is None:
        return ()
    from bench.twin import fault_kinds

    kind, _, argument = text.partition(":")
    kinds = [known.kind for known in fault_kinds()]
    if kind not in kinds:
        right = nearest(kind, kinds)
        advice = f"did you mean {right}?" if right else "see: hardstand twin --faults"
        raise UsageError(Complaint(f"unknown fault {kind}", advice=advice))
    return (Fault(kind, argument),)
