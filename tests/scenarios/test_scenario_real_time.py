"""The main job as on a workbench: the box in one process, the bench in another, a port between them."""

import json
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from untidy import TABLES, write_untidy

from bench.core.verdict import FAIL, PASS

ROOT = Path(__file__).parents[2]
HARDSTAND = [sys.executable, "-m", "bench.cli"]
pytestmark = [pytest.mark.realtime, pytest.mark.alone, pytest.mark.slow]


def run_on_a_port(out, spec, *box):
    """(exit status, what --json says) of a short run; a machine that was late is tried again, twice."""
    served = subprocess.Popen([*HARDSTAND, "twin", *box], cwd=ROOT, stdout=subprocess.PIPE, text=True)
    with served:
        try:
            port = served.stdout.readline().strip()
            words = [*HARDSTAND, "run", spec, "--on", f"slcan:{port}", "--short", "--yes", "--json"]
            for attempt in range(3):
                done = subprocess.run(
                    [*words, "--out", str(out / f"session{attempt}")],
                    cwd=ROOT,
                    capture_output=True,
                    text=True,
                    timeout=120,
                )
                if done.returncode != 3:
                    break
        finally:
            served.terminate()
    assert "Traceback" not in done.stderr
    return done.returncode, json.loads(done.stdout)


@pytest.fixture(scope="module")
def ended(tmp_path_factory):
    """How runs on three ports end. They mostly wait, so they go on at the same time."""
    runs = {
        "healthy": ("demo", "demo"),
        "a load is not connected": ("demo", "demo", "--fault", "open_load"),
        "other messages": (write_untidy(tmp_path_factory.mktemp("mine")), TABLES),
    }
    with ThreadPoolExecutor(len(runs)) as pool:
        begun = {n: pool.submit(run_on_a_port, tmp_path_factory.mktemp("run"), *w) for n, w in runs.items()}
        return {name: run.result() for name, run in begun.items()}


@pytest.mark.parametrize("name", ["healthy", "other messages"])
def test_a_healthy_box_behind_a_port_passes(ended, name):
    status, told = ended[name]
    assert (status, told["outcome"], told["discrepancies"]) == (0, PASS, [])


def test_a_load_that_is_not_connected_fails_on_its_circuit(ended):
    status, told = ended["a load is not connected"]
    assert (status, told["outcome"]) == (1, FAIL)
    assert [d["subject"] for d in told["discrepancies"]] == ["deck_fwd"]
