"""Every fault kind of the virtual box must end in its expected verdict."""

from __future__ import annotations

import tempfile
from pathlib import Path

from bench.cli.running import Wish, run_and_judge
from bench.core.verdict import Verdict
from bench.evidence.page import Page, Table


def reached(kind: str, seed: int = 1, boat: str = "demo") -> Verdict:
    """The verdict on the boat's virtual box with this fault."""
    with tempfile.TemporaryDirectory() as folder:
        return run_and_judge(
            Wish(boat, "twin", Path(folder) / "session", fault=kind, seed=seed), write=False
        ).verdict
