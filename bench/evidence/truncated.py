"""A session cut off at any byte of its end opens, says that it was cut, and loses no whole line."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from bench.core.frame import Frame
from bench.evidence.page import Page, Table
from bench.session import Session, open_session
from bench.session.recorder import FRAMES, MARKS
from bench.session.walk import UNMARKED_NS

RECORDINGS = Path(__file__).resolve().parents[2] / "recordings"
LAST = 1024


def wrong(session: Session, lines: int, whole: list[Frame], name: str) -> str:
    """What is wrong with how a cut session opens; empty when nothing is. `lines`: whole lines left."""
    entries = list(session.entries())
    frames = [e for e in entries if isinstance(e, Frame)]
    if not session.cut:
        return "it does not say that it was cut"
    if frames != whole[: len(frames)]:
        return "a frame is not what it was"
    if name == FRAMES and len(frames) - lines not in (0, 1):  # the last line may lack its end alone
        return f"{len(frames)} frames of {lines} whole lines"
    if name == MARKS:
        marks_ns = [e.t_ns for e in entries if not isinstance(e, Frame)]
        untold = [f for f in whole[len(frames) :] if f.t_ns <= marks_ns[-1] - UNMARKED_NS]
        if untold:
            return f"{len(untold)} frames are not told though marks go on beyond them"
    return ""


def cut_everywhere(recording: Path, name: str, step: int) -> tuple[int, list[str]]:
    """Cuts made, and what was wrong at which size."""
    found = []
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "session"
        shutil.copytree(recording, copy)
        frames = [e for e in open_session(copy).entries() if isinstance(e, Frame)]
        data = (copy / name).read_bytes()
        sizes = range(len(data) - LAST, len(data), step)
        for size in sizes:
            (copy / name).write_bytes(data[:size])
            trouble = wrong(open_session(copy), data[:size].count(b"\n"), frames, name)
            if trouble:
                found.append(f"{recording.name}/{name} at {size} bytes: {trouble}")
    return len(sizes), found


def study(sample: float = 1.0) -> Page:
    """Cuts every sample recording at every byte of the last kilobyte of both its files."""
    rows: list[list[object]] = []
    troubles: list[str] = []
    for recording in sorted(p for p in RECORDINGS.iterdir() if p.is_dir()):
        for name in (FRAMES, MARKS):
            cuts, found = cut_everywhere(recording, name, max(1, round(1 / sample)))
            rows.append([recording.name, name, cuts, len(found)])
            troubles += found
    total = sum(int(str(row[2])) for row in rows)
    summary = f"{total - len(troubles)} of {total} cut sessions open, say so and lose no whole line"
    if troubles:
        summary += f"; {'; '.join(troubles[:3])}"
    about = (
        "Each sample recording, cut off at every byte of the last kilobyte of its frames, and of its marks. "
        f"Frames later than {UNMARKED_NS / 1e6:.0f} ms after the last mark are not told: nothing proves what "
        "the link did meanwhile."
    )
    table = Table(("recording", "file", "cuts", "wrong"), rows)
    return Page("truncated", "Sessions cut off at any byte", about, not troubles, summary, (table,))
