"""The virtual box from the words of a command line: which boat, which fault, which seed."""

from __future__ import annotations

from bench.cli.boats import BOATS, existing_file
from bench.cli.parser import nearest
from bench.core.errors import Complaint, UsageError
from bench.twin import Fault, Twin, load_tables


def boat_name(word: str) -> str:
    """The boat that has a virtual box, of one of the words of BOATS.

    Raises: UsageError with the nearest right word.
    """
    if word in BOATS:
        return BOATS[word]
    right = nearest(word, BOATS)
    advice = f"did you mean {right}?" if right else ""
    raise UsageError(
        Complaint(f"there is no virtual box for {word}", expected=" | ".join(BOATS), advice=advice)
    )


def make_twin(word: str, *, fault: str | None = None, seed: int = 1, start_ns: int = 0) -> Twin:
    """The virtual box of a shipped boat or of a file of tables, healthy or with one seeded fault.

    Raises: as `boat_name` and `parse_faults`; UsageError for tables that are wrong.
    """
    from bench.lab.api import boat_tables

    named = "/" in word or word.endswith(".toml")
    tables = load_tables(existing_file(word, what="virtual box")) if named else boat_tables(boat_name(word))
    return Twin(tables, seed=seed, faults=parse_faults(fault), start_ns=start_ns)


def parse_faults(text: str | None) -> tuple[Fault, ...]:
    """No fault, or the one that `KIND[:ARG]` names.

    Raises: UsageError for an unknown kind, with the nearest right one.
    """
    return () if text is None else (Fault.parse(text),)
