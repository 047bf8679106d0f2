"""The boats that are shipped, by the words that every command takes in place of a spec's path."""

from __future__ import annotations

from pathlib import Path

from bench.cli.parser import nearest
from bench.core.errors import Complaint, UsageError

DEMONSTRATION = {"demo": "kittiwake", "dunlin": "dunlin", "fulmar": "fulmar"}
LARGE = {"turnstone": "turnstone", "greenshank": "greenshank", "dotterel": "dotterel"}  # 48 channels each
BOATS = DEMONSTRATION | LARGE
_FOLDER = Path(__file__).resolve().parent.parent / "data"


def spec_path(word: str) -> Path:
    """The file a SPEC argument means; `./demo` is a file, `demo` the shipped boat.

    Raises: UsageError when there is no such file or boat.
    """
    if word in BOATS:
        return _FOLDER / f"{BOATS[word]}.yaml"
    return existing_file(word, what="spec")


def existing_file(word: str, *, what: str) -> Path:
    """Raises: UsageError when the word names no readable file."""
    path = Path(word)
    if path.is_dir():
        raise UsageError(
            Complaint(f"the {what} is a folder, not a file", path=word, expected=f"the file of a {what}")
        )
    if not path.exists():
        boat = nearest(word, BOATS) if "/" not in word and not path.suffix else ""
        advice = f"did you mean {boat}?" if boat else f"shipped boats are {', '.join(BOATS)}"
        raise UsageError(Complaint(f"no such {what}", path=word, advice=advice if what == "spec" else ""))
    return path
