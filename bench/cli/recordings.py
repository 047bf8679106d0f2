"""Recordings and instants as they are named on a command line."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from bench.assess import Joined, Part
from bench.core.errors import Complaint, UsageError
from bench.session import Session, open_session

LOGS = re.compile(r"[^.].*\.log(\.[0-9]+)?(\.gz|\.zst)?", re.I)
OWN_FILES = ("frames.log", "marks.jsonl", "session.json")
_INSTANT = re.compile(r"(@?)([0-9]{1,12})(?:\.([0-9]{1,9}))?", re.ASCII)


def open_recording(words: Sequence[str]) -> Session | Joined:
    """One session or file; several files, or a folder of them, are read as one in order of their stamps.

    Raises: UsageError for none, for what is no recording, and for sessions of this bench among several;
    BenchError when the disk fails.
    """
    if len(words) > 1:
        return Joined([open_session(word) for word in words])
    folder = Path(words[0])
    if not folder.is_dir() or any((folder / name).exists() for name in OWN_FILES):
        return open_session(folder)
    logs = sorted(path for path in folder.iterdir() if path.is_file() and LOGS.fullmatch(path.name))
    if not logs:
        return open_session(folder)  # which says what is missing
    return Joined([open_session(path) for path in logs])


def instant(word: str, start_ns: int, option: str) -> int:
    """`12.5`: seconds from the recording's start; `@1700000012.5`: a stamp as the recording has it.

    Raises: UsageError for anything else.
    """
    match = _INSTANT.fullmatch(word)
    if match is None:
        expected = "seconds from the start, as 12.5, or a stamp of the recording, as @1700000012.5"
        raise UsageError(Complaint(f"{option} {word} is no instant", expected=expected))
    t_ns = int(match[2]) * 1_000_000_000 + int((match[3] or "").ljust(9, "0"))
    return t_ns if match[1] else start_ns + t_ns


def part_of(from_word: str | None, to_word: str | None, start_ns: int) -> Part:
    """Raises: UsageError when it is no part."""
    a = None if from_word is None else instant(from_word, start_ns, "--from")
    b = None if to_word is None else instant(to_word, start_ns, "--to")
    if a is not None and b is not None and b <= a:
        raise UsageError(Complaint(f"--to {to_word} is not after --from {from_word}"))
    return Part(a, b)
