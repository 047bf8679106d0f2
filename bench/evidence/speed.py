"""How much faster than real time the virtual regression of the demo boat runs."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

from bench.cli.loading import load_boat
from bench.core.clock import elapsed_ns
from bench.core.frame import TX, Frame
from bench.evidence.page import Page, Table
from bench.lab.api import run_virtual
from bench.session import open_session

AIM = 200.0
QUIET_NS = 500_000_000  # a box that has had this long since the last stimulus only repeats itself
RUNS = 5


@dataclass(frozen=True, slots=True)
class Measured:
    """One run: seconds on the bench's clock and on ours, CPU seconds, frames, share of idle time.

    `load_s`: loading spec, definitions and tables, and planning, before it. `real_s` and `cpu_s`:
    running, recording and judging.
    """

    bench_s: float
    load_s: float
    real_s: float
    cpu_s: float
    frames: int
    idle_share: float

    @property
    def ratio(self) -> float:
        """Bench time by real time."""
        return self.bench_s / self.real_s

    @property
    def cpu_us_per_frame(self) -> float:
        """CPU microseconds for each frame on the bus: box, bench, recording and judging together."""
        return self.cpu_s * 1e6 / max(self.frames, 1)


def measure(boat: str, seed: int) -> Measured:
    """Runs once with a recording, without result files."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "session"
        start_ns = elapsed_ns()
        result = run_virtual(boat, out=out, seed=seed)
        total_s = (elapsed_ns() - start_ns) / 1e9
        bench_s, frames, idle_share = shape(out, boat)
    real_s = result.figures["real_s"]
    return Measured(bench_s, total_s - real_s, real_s, result.figures["cpu_s"], frames, idle_share)


def shape(folder: Path, boat: str) -> tuple[float, int, float]:
    """Seconds from the first frame to the last, frames, and the share of time that was idle.

    Idle is what lies more than 500 ms after the last stimulus: a plan that merely waits would
    otherwise look fast.
    """
    first = last = stimulus = None
    frames, idle_ns = 0, 0
    definitions = load_boat(boat).definitions
    for entry in open_session(folder).entries():
        if not isinstance(entry, Frame):
            continue
        frames += 1
        first = entry.t_ns if first is None else first
        last = entry.t_ns
        if entry.direction == TX and (reading := definitions.decode(entry)) is not None and reading.events:
            if stimulus is not None:
                idle_ns += max(0, entry.t_ns - stimulus - QUIET_NS)
            stimulus = entry.t_ns
    if first is None or last is None:
        return 0.0, 0, 1.0
    if stimulus is not None:
        idle_ns += max(0, last - stimulus - QUIET_NS)
    length = max(last - first, 1)
    return length / 1e9, frames, idle_ns / length


def study(sample: float = 1.0) -> Page:
    """Measures each boat several times and takes the median."""
    rows: list[list[object]] = []
    demo_ratio = 0.0
    for boat in ("demo", "dunlin", "fulmar"):
        runs = sorted(
            (measure(boat, seed) for seed in range(1, max(1, round(RUNS * sample)) + 1)),
            key=lambda m: m.ratio,
        )
        middle = runs[len(runs) // 2]
        if boat == "demo":
            demo_ratio = middle.ratio
        rows.append(
            [
                boat,
                f"{middle.bench_s:.0f} s",
                f"{middle.real_s:.2f} s",
                f"{middle.cpu_s:.2f} s",
                f"{middle.load_s:.2f} s",
                f"{middle.ratio:.0f}",
                f"{runs[0].ratio:.0f} to {runs[-1].ratio:.0f}",
                middle.frames,
                f"{middle.cpu_us_per_frame:.0f} us",
                f"{middle.idle_share:.0%}",
            ]
        )
    header = (
        "boat",
        "bench time",
        "run, real time",
        "run, CPU",
        "loading and planning before it",
        "times real time",
        "spread",
        "frames",
        "CPU a frame",
        "idle share",
    )
    note = (
        "All cyclic frames are on. The run holds the virtual box, the bench, recording to disk and judging; "
        "loading and planning come before it, result files after. Idle: more than 500 ms after the last "
        "stimulus."
    )
    count = max(1, round(RUNS * sample))
    return Page(
        "speed",
        "Speed of the virtual regression",
        f"The full plan on the healthy virtual box, {count} runs each; the median is shown. "
        f"Aim: {AIM:.0f} times real time on the demo boat.",
        demo_ratio >= AIM,
        f"the demo boat runs {demo_ratio:.0f} times faster than real time",
        (Table(header, rows, note),),
    )
