"""Healthy virtual boxes must pass, whatever the seed."""

from __future__ import annotations

import tempfile
from pathlib import Path

from bench.cli.boats import BOATS
from bench.cli.running import Wish, run_and_judge
from bench.core.verdict import PASS
from bench.evidence.page import Page, Table

SEEDS = 20


def study(sample: float = 1.0) -> Page:
    """Runs the full plan on each boat with many seeds of noise and jitter."""
    seeds = range(1, max(1, round(SEEDS * sample)) + 1)
    rows: list[list[object]] = []
    failed = []
    for boat in BOATS:
        outcomes, samples, doubts = [], 0, 0
        for seed in seeds:
            with tempfile.TemporaryDirectory() as folder:
                verdict = run_and_judge(Wish(boat, "twin", Path(folder) / "session", seed=seed)).verdict
            outcomes.append(verdict.outcome)
            samples += verdict.judged_samples
            doubts += len(verdict.doubts)
            if verdict.outcome != PASS or verdict.discrepancies:
                failed.append(f"{boat} seed {seed}")
        rows.append([boat, len(seeds), outcomes.count(PASS), samples, doubts])
    total = len(seeds) * len(BOATS)
    summary = f"{total - len(failed)} of {total} runs passed"
    if failed:
        summary += f"; not: {', '.join(failed)}"
    table = Table(("boat", "seeds", "passed", "values judged", "doubts"), rows)
    about = (
        "The full plan on the healthy virtual box of each shipped boat, with noise and jitter from each seed."
    )
    return Page("healthy", "Healthy boxes pass", about, not failed, summary, (table,))
