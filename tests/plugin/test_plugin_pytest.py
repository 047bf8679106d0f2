"""The pytest plugin, used as a user's own tests would use it."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


def pytest_run(tmp_path, text, *more):
    (tmp_path / "test_boat.py").write_text(text)
    plugin = [] if _is_installed() else ["-p", "bench.pytest_plugin"]
    words = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *plugin, *more, "test_boat.py"]
    code = "import os, runpy, sys; sys.path.insert(0, os.environ['BENCH']); sys.argv[0] = 'pytest'"
    words[1:3] = ["-c", f"{code}; runpy.run_module('pytest', run_name='__main__')"]
    return subprocess.run(words, cwd=tmp_path, env=_environ(), capture_output=True, text=True, check=False)


def _is_installed():
    from importlib.metadata import entry_points

    return any(point.value == "bench.pytest_plugin" for point in entry_points(group="pytest11"))


def _environ():
    import os

    return {**os.environ, "BENCH": str(ROOT)}


@pytest.mark.slow
def test_a_users_test_runs_a_spec_on_the_virtual_box_and_gets_a_verdict(tmp_path):
    done = pytest_run(
        tmp_path,
        "def test_it(hardstand_run, tmp_path):\n"
        "    verdict = hardstand_run(short=True, seed=2)\n"
        "    assert verdict.outcome == 'pass', verdict\n"
        "    assert (tmp_path / 'hardstand-1' / 'report.html').exists()\n",
    )
    assert (done.returncode, "1 passed" in done.stdout) == (0, True), done.stdout


@pytest.mark.slow
def test_the_spec_can_be_named_on_the_command_line_of_pytest(tmp_path):
    done = pytest_run(
        tmp_path,
        "import pytest\nfrom bench.core.errors import UsageError\n"
        "def test_it(hardstand_run):\n"
        "    with pytest.raises(UsageError, match='nothere.yaml'):\n"
        "        hardstand_run()\n",
        "--hardstand-spec=nothere.yaml",
    )
    assert (done.returncode, "1 passed" in done.stdout) == (0, True), done.stdout


@pytest.mark.slow
def test_loading_the_plugin_imports_nothing_heavy(tmp_path):
    done = pytest_run(
        tmp_path,
        "import sys\n"
        "def test_it():\n"
        "    heavy = {'numpy', 'can', 'cantools', 'yaml', 'serial', 'bench.run', 'bench.judge'}\n"
        "    assert heavy & set(sys.modules) == set()\n",
    )
    assert (done.returncode, "1 passed" in done.stdout) == (0, True), done.stdout
