"""How much memory the judging of a very long recording takes."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

from bench.cli.boats import spec_path
from bench.core.verdict import EXIT_STATUS, FAIL
from bench.evidence.boat_log import write_log
from bench.evidence.page import Page, Table
from bench.lab.api import load_boat
from bench.session.cache import VARIABLE

FRAMES, AIM_MB = 20_000_000, 400
WORDS = {status: word for word, status in EXIT_STATUS.items()}
JUDGES = """
import sys
from bench.cli import main
status = main(["judge", *sys.argv[1:], "--json"])
print(status, next(line for line in open("/proc/self/status") if line.startswith("VmHWM")).split()[1])
"""


def judged(path: Path, spec: str) -> tuple[int, float]:
    """Exit status, and peak memory in MB, of a process of its own that judges a recording and writes the
    report, without cache. Linux only."""
    told = subprocess.run(
        [sys.executable, "-c", JUDGES, str(path), "--spec", spec, "--out", str(path.with_suffix(""))],
        check=True,
        capture_output=True,
        text=True,
        env={**os.environ, VARIABLE: "off"},
    )
    status, peak_kb = told.stdout.splitlines()[-1].split()
    return int(status), int(peak_kb) / 1024


def impatient(folder: Path) -> Path:
    """The boat's spec with answers due sooner than its box gives them: a fail."""
    text = spec_path("demo").read_text(encoding="utf-8")
    assert text.count("respond_ms: 100") == 1
    path = folder / "impatient.yaml"
    path.write_text(text.replace("respond_ms: 100", "respond_ms: 1"), encoding="utf-8")
    return path


def study(sample: float = 1.0) -> Page:
    """Judges a boat in use, a hundredth of it and the whole, by its spec and by one that it fails."""
    rows: list[list[object]] = []
    most_mb = 0.0
    for frames in (max(20_000, round(FRAMES * sample / 100)), max(20_000, round(FRAMES * sample))):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "boat.log"
            write_log(path, load_boat("kittiwake"), frames)
            size = f"{path.stat().st_size / 1e6:.0f} MB"
            for spec in ("demo", str(impatient(Path(folder)))):
                status, peak_mb = judged(path, spec)
                most_mb = max(most_mb, peak_mb)
                rows.append([frames, size, WORDS.get(status, str(status)), f"{peak_mb:.0f} MB"])
    about = (
        "A boat in use, a key every five minutes, recorded as candump text, judged with its report by a "
        "process of its own whose peak is what the kernel counts (VmHWM): by its spec, and by one whose "
        f"answers are due after 1 ms, which it fails. Aim: under {AIM_MB} MB."
    )
    table = Table(("frames", "recording", "verdict", "peak memory"), rows)
    return Page(
        "memory",
        "Memory of judging",
        about,
        most_mb < AIM_MB and rows[-2][2] != FAIL == rows[-1][2],
        f"{most_mb:.0f} MB for {rows[-1][0]} frames",
        (table,),
    )
