"""Accepted discrepancies from a file on the command line, or the copy that a session holds."""

from __future__ import annotations

from pathlib import Path

from bench.assess import Recording
from bench.assess.accepted import with_accepted
from bench.cli.boats import existing_file
from bench.core.clock import utc_text
from bench.core.verdict import Verdict
from bench.spec.accepted import AcceptedFile, load_accepted, match_accepted
from bench.spec.model import Spec

COPY = "accepted.yaml"


def read_accepted(word: str | None, spec: Spec, session: Recording | None = None) -> AcceptedFile | None:
    """The file that is named, else the session's own copy; None where there is neither.

    Raises: UsageError for no such file; SpecError with every complaint about it.
    """
    path = None
    if word is not None:
        path = existing_file(word, what="file of accepted discrepancies")
    elif session is not None and session.path.is_dir() and (session.path / COPY).exists():
        path = session.path / COPY
    if path is None:
        return None
    found = load_accepted(path)
    match_accepted(found, spec)
    return found


def set_apart(verdict: Verdict, file: AcceptedFile | None, t_ns: int, *, whole: bool = True) -> Verdict:
    """The verdict with what `file` accepts today (UTC) set apart; `t_ns`: instant for what is stale.
    `whole`: it is on all of the recording."""
    if file is None:
        return verdict
    return with_accepted(verdict, file.entries, utc_text()[:10], t_ns, whole=whole)


def keep_copy(folder: Path, file: AcceptedFile | None) -> None:
    """What a session was judged by belongs into it."""
    if file is not None:
        (folder / COPY).write_bytes(Path(file.path).read_bytes())
