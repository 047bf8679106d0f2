"""How much memory the judging of a very long recording takes."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

from bench.evidence.boat_log import write_log
from bench.evidence.page import Page, Table
from bench.lab.api import load_boat
from bench.session.cache import VARIABLE

FRAMES, AIM_MB = 20_000_000, 400
JUDGES = """
import sys
from pathlib import Path
from bench.cli.loading import load_boat
from bench.evidence.reading import verdict_here
from bench.oracle import Oracle
boat = load_boat("demo")
verdict_here(Path(sys.argv[1]), boat, Oracle(boat.spec))
print(next(line for line in open("/proc/self/status") if line.startswith("VmHWM")).split()[1])
"""


def peak_mb(path: Path) -> float:
    """Peak memory of a process of its own that judges a recording, without cache. Linux only."""
    told = subprocess.run(
        [sys.executable, "-c", JUDGES, str(path)],
        check=True,
        capture_output=True,
        text=True,
        env={**os.environ, VARIABLE: "off"},
    )
    return int(told.stdout) / 1024


def study(sample: float = 1.0) -> Page:
    """Judges a boat in use, a hundredth of it and the whole."""
    rows: list[list[object]] = []
    most_mb = 0.0
    for frames in (max(20_000, round(FRAMES * sample / 100)), max(20_000, round(FRAMES * sample))):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "boat.log"
            write_log(path, load_boat("kittiwake"), frames)
            most_mb = peak_mb(path)
            rows.append([frames, f"{path.stat().st_size / 1e6:.0f} MB", f"{most_mb:.0f} MB"])
    about = (
        "A boat in use, a key every five minutes, recorded as candump text, judged by a process of its own "
        f"whose peak is what the kernel counts (VmHWM). Aim: under {AIM_MB} MB for the longer."
    )
    table = Table(("frames", "recording", "peak memory"), rows)
    return Page(
        "memory",
        "Memory of judging",
        about,
        most_mb < AIM_MB,
        f"{most_mb:.0f} MB for {rows[-1][0]} frames",
        (table,),
    )
