"""Recordings cut at many places: a cut may leave doubts, but never a wrong verdict."""

from __future__ import annotations

import json
import random
import shutil
import tempfile
from pathlib import Path

from bench.cli.judging import judged
from bench.core.errors import HardstandError
from bench.core.verdict import FAIL, INCONCLUSIVE
from bench.evidence.page import Page, Table

PLACES = 100
RECORDINGS = Path(__file__).resolve().parents[2] / "recordings"


def sample_recordings(folder: Path = RECORDINGS) -> list[Path]:
    """The folders `healthy-*` and `fault-*`."""
    return sorted(
        path for path in folder.iterdir() if path.is_dir() and path.name.split("-")[0] in ("healthy", "fault")
    )


def places(recording: Path, count: int, seed: int = 1) -> list[int]:
    """Byte offsets in frames.log at which to cut, the same each time; the first and last among them."""
    size = (recording / "frames.log").stat().st_size
    chosen = {0, size - 1}
    chance = random.Random(f"{recording.name} {seed}")
    while len(chosen) < min(count, size):
        chosen.add(chance.randrange(size))
    return sorted(chosen)[:count] if count >= 2 else [size // 2]


def cut_copy(recording: Path, target: Path, offset: int) -> None:
    """A copy as a cut leaves it: frames end at a byte; of the marks, by turns, those that stood on
    disk by then, all of them, or fewer than that (a power cut may lose the later ones).
    """
    shutil.copytree(recording, target)
    frames = (target / "frames.log").read_bytes()[:offset]
    (target / "frames.log").write_bytes(frames)
    last = (frames.count(b"\n"), None, frames.count(b"\n") * 2 // 3)[offset % 3]
    if last is None:
        return
    kept = b""
    for line in (target / "marks.jsonl").read_bytes().splitlines(keepends=True):
        mark = json.loads(line)
        if mark.get("after_frames", mark.get("frames", 0)) > last:
            break
        kept += line
    (target / "marks.jsonl").write_bytes(kept)


def outcome_of_cut(recording: Path, offset: int) -> str:
    """pass | fail | inconclusive, or `error: ...` when the cut session cannot be opened at all."""
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / recording.name
        cut_copy(recording, target, offset)
        try:
            _, material = judged(str(target), None)
        except HardstandError as error:
            return f"error: {error}"
    return material.verdict.outcome


def is_right(recording: Path, outcome: str) -> bool:
    """A cut recording is inconclusive, never a pass; only one of a faulty box may fail."""
    return outcome == INCONCLUSIVE or (outcome == FAIL and recording.name.startswith("fault-"))


def study(sample: float = 1.0) -> Page:
    """Cuts each sample recording at many places and judges what is left."""
    count = max(2, round(PLACES * sample))
    rows: list[list[object]] = []
    wrong = []
    for recording in sample_recordings():
        outcomes = {offset: outcome_of_cut(recording, offset) for offset in places(recording, count)}
        wrong += [
            f"{recording.name} at byte {k}: {o}" for k, o in outcomes.items() if not is_right(recording, o)
        ]
        said = list(outcomes.values())
        rows.append(
            [
                recording.name,
                len(said),
                said.count(INCONCLUSIVE),
                said.count(FAIL),
                sum(not is_right(recording, o) for o in said),
            ]
        )
    summary = f"{len(wrong)} wrong of {sum(int(str(row[1])) for row in rows)} cuts"
    if wrong:
        summary += ": " + "; ".join(wrong[:10])
    table = Table(("recording", "cuts", "inconclusive", "fail", "wrong"), rows)
    about = (
        "Each sample recording, cut at bytes drawn by a fixed seed and judged. Of the marks, by turns, those "
        "that stood on disk by then are left, all of them, or fewer."
    )
    return Page("cuts", "Recordings that were cut off", about, bool(rows) and not wrong, summary, (table,))
