"""`--since OTHER`: what changed between two specs, and in words."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from bench.cli.boats import BOATS
from bench.cli.loading import Boat, load_boat, load_boat_file
from bench.core.errors import Complaint, UsageError
from bench.core.plan import Plan

if TYPE_CHECKING:
    from bench.plan.since import Compared

MOST_CHANGES = 20  # shown


def compared(word: str, boat: Boat) -> Compared:
    """What changed from the spec that `word` means to that of `boat`.

    Raises: UsageError where there is none; SpecError, DefinitionError when it is wrong.
    """
    from bench.plan.since import Compared, box_changed, changes

    old = _other(word)
    found = list(changes(old.spec, boat.spec))
    for name, box in boat.spec.boxes.items():
        before = old.spec.boxes.get(name)
        if before is None:
            continue
        for key in ("definitions", "binding"):
            if _text(old, getattr(before, key)) != _text(boat, getattr(box, key)):
                found.append(box_changed(boat.spec, name, f"the {key} file {getattr(box, key)} differs"))
    return Compared(word, tuple(dict.fromkeys(found)))


def _other(word: str) -> Boat:
    folder = Path(word)
    if word in BOATS or not folder.is_dir():
        return load_boat(word)
    own = folder / "spec.yaml"
    if own.exists():
        return load_boat_file(own, shipped=False)
    text = "--since: this folder holds no spec"
    advice = "name a spec's file, a shipped boat, or the folder of a session"
    raise UsageError(Complaint(text, path=word, expected="a session with its spec.yaml", advice=advice))


def _text(boat: Boat, name: str) -> bytes:
    """What stands in a file that the spec names; a session keeps it under the same name."""
    paths = [Path(p) for p in boat.definitions.paths]
    return next((p.read_bytes() for p in paths if p.name == Path(name).name), b"")


def since_lines(plan: Plan) -> list[str]:
    """What changed and until when its part lasts; nothing for a plan that was not asked."""
    since = plan.since
    if since is None:
        return []
    if not since.changes:
        return [f"nothing changed since {since.other}"]
    shown = [f"  {text}" for text in since.changes[:MOST_CHANGES]]
    if len(since.changes) > MOST_CHANGES:
        shown.append(f"  ... and {len(since.changes) - MOST_CHANGES} more (--json lists all)")
    if not since.until_ms:
        end = "no step of this plan touches what changed"
    else:
        end = f"what this can have broken comes first, until {since.until_ms / 1e3:.1f} s"
        end += "" if since.whole else "; there is no time for all of it"
    return [f"changed since {since.other}: {len(since.changes)}", *shown, end]
