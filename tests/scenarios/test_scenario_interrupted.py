"""A run that is interrupted, or that nobody looks at any more, ends in order and without a traceback."""

import io
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

import bench
from bench.cli import main
from bench.report.progress import Progress

ROOT = Path(bench.__file__).resolve().parent.parent
HARDSTAND = [sys.executable, "-m", "bench.cli"]
posix = pytest.mark.skipif(os.name == "nt", reason="signals and shells of POSIX")


def start(*words, **streams):
    streams = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **streams}
    return subprocess.Popen([*HARDSTAND, *map(str, words)], cwd=ROOT, text=True, **streams)


@posix
@pytest.mark.slow
@pytest.mark.parametrize(("number", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_a_run_interrupted_in_the_middle_leaves_a_session_that_says_so(number, status, tmp_path, capsys):
    with start("run", "demo", "--on", "twin", "--out", tmp_path / "s") as run:
        while "%" not in (line := run.stderr.readline()) or " 0%" in line:
            assert line, "it ended before it had begun"
        run.send_signal(number)
        out, err = run.communicate(timeout=60)
    assert "Traceback" not in err
    assert run.returncode == status
    assert out.startswith("INCONCLUSIVE: the run did not finish: interrupted; ")
    assert main(["judge", str(tmp_path / "s"), "--json"]) == 3
    document = json.loads(capsys.readouterr().out)
    document.pop("evidence")
    assert document == json.loads((tmp_path / "s" / "verdict.json").read_text(encoding="utf-8"))


def shell(line, tmp_path):
    words = " ".join(f"'{word}'" for word in HARDSTAND)
    done = subprocess.run(
        ["bash", "-c", line.replace("hardstand", words).replace("OUT", str(tmp_path / "s"))],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert "Traceback" not in done.stdout + done.stderr
    assert "defect" not in done.stdout + done.stderr
    return done


@posix
@pytest.mark.slow
@pytest.mark.parametrize(
    "end", ["| head -1", "2>&1 | head -1", ">&-", "2>&-", ">&- 2>&- <&-", ">/dev/full", "2>/dev/full"]
)
def test_a_run_goes_on_to_its_end_when_nobody_looks_on(end, tmp_path):
    shell(f"hardstand run demo --on twin --short --out OUT {end}", tmp_path)
    assert json.loads((tmp_path / "s" / "verdict.json").read_text(encoding="utf-8"))["outcome"] == "pass"


@posix
@pytest.mark.slow
@pytest.mark.parametrize("words", ["--help", "run --help", "plan demo", "plan demo --json", "check demo"])
def test_output_that_nobody_reads_is_no_defect(words, tmp_path):
    shell(f"hardstand {words} | true", tmp_path)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_disk_is_named(tmp_path):
    done = shell("hardstand --help >/dev/full", tmp_path)
    assert (done.returncode, done.stderr) == (3, "hardstand: error: cannot write: No space left on device\n")


def test_progress_that_cannot_be_shown_does_not_end_a_run():
    class Gone(io.StringIO):
        tries = 0

        def write(self, text):
            self.tries += 1
            raise BrokenPipeError

    for live in (False, True):
        stream = Gone()
        progress = Progress(stream, live=live)
        for done in range(0, 101, 20):
            progress.update(done, 100)
        progress.close()
        assert stream.tries == 1
