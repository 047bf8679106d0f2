"""A recorded session done again: same stimuli at the same distances, judged anew, lag told."""

import io
import json
import subprocess
import sys
from pathlib import Path

import pytest

import bench
from bench.cli import main
from bench.evidence.cuts import RECORDINGS
from bench.session import open_session

pytestmark = pytest.mark.slow
ROOT = Path(bench.__file__).resolve().parent.parent
HEALTHY = str(RECORDINGS / "healthy-full")
PLAN = json.loads((RECORDINGS / "healthy-full" / "plan.json").read_text(encoding="utf-8"))
STIMULI = sum(s["kind"] in ("press", "release", "sensor", "supply", "wake") for s in PLAN["steps"])


def replay(capsys, *words):
    status = main(["replay", *words, "--json"])
    said = capsys.readouterr()
    return status, json.loads(said.out) if said.out else None, said.err


def test_what_passed_passes_again_at_the_same_distances(tmp_path, capsys):
    out = tmp_path / "again"
    status, verdict, said = replay(capsys, HEALTHY, "--on", "twin", "--out", str(out))
    assert (status, verdict["outcome"]) == (0, "pass")
    assert f"{STIMULI} of {STIMULI} stimuli; lag at worst 0.0 ms" in said
    assert verdict["facts"]["replay_of"] == "healthy-full"
    assert f"{STIMULI} of {STIMULI} stimuli" in (out / "report.html").read_text(encoding="utf-8")
    assert json.loads((out / "plan.json").read_text())["title"] == "replay of healthy-full"
    assert main(["judge", str(out), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["discrepancies"] == verdict["discrepancies"]


@pytest.mark.parametrize("kind", ["timer_short", "momentary_latches", "member_missing"])
def test_a_fault_is_found_again_by_what_was_done_to_a_healthy_box(kind, tmp_path, capsys):
    words = [HEALTHY, "--on", "twin", "--fault", kind, "--out", str(tmp_path / "s")]
    status, verdict, _ = replay(capsys, *words)
    subject = {"timer_short": "washdown", "momentary_latches": "horn", "member_missing": "side_step"}[kind]
    assert (status, [d["subject"] for d in verdict["discrepancies"]]) == (1, [subject])


def test_it_stops_at_the_first_discrepancy_when_told_to(tmp_path, capsys):
    words = [HEALTHY, "--on", "twin", "--fault", "momentary_latches", "--until-first"]
    status, verdict, said = replay(capsys, *words, "--out", str(tmp_path / "s"))
    assert (status, len(verdict["discrepancies"])) == (1, 1)
    played = int(said.split("hardstand: replayed ")[1].split(f" of {STIMULI}")[0])
    assert 0 < played < STIMULI


@pytest.mark.parametrize("speed", ["0.5", "2"])
def test_speed_scales_every_distance(speed, tmp_path, capsys):
    words = [HEALTHY, "--on", "twin", "--from", "4", "--to", "9", "--speed", speed]
    status, verdict, said = replay(capsys, *words, "--out", str(tmp_path / "s"))
    assert status in (0, 3) and verdict["discrepancies"] == []
    assert "lag at worst 0.0 ms" in said


def test_another_loggers_recording_is_played_with_a_spec(tmp_path, capsys):
    text = (RECORDINGS / "healthy-short" / "frames.log").read_text(encoding="ascii")
    (tmp_path / "a.log").write_text("".join(f"{line[:-2]}\n" for line in text.splitlines()), encoding="ascii")
    words = [str(tmp_path / "a.log"), "--spec", "demo", "--on", "twin", "--out", str(tmp_path / "s")]
    status, verdict, _ = replay(capsys, *words)
    assert (status, verdict["discrepancies"]) == (0, [])


def test_step_by_step_waits_for_a_person(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO("\n" * 400))
    words = [HEALTHY, "--on", "twin", "--by-step", "--from", "4", "--to", "6", "--out", str(tmp_path / "s")]
    status, _, said = replay(capsys, *words)
    assert status in (0, 3)
    assert said.count("hardstand: next: ") == len(
        json.loads((tmp_path / "s" / "plan.json").read_text())["steps"]
    )
    assert "stimuli, step by step" in said


def test_nothing_but_stimuli_and_signs_of_life_is_sent(tmp_path, capsys):
    out = tmp_path / "s"
    replay(capsys, HEALTHY, "--on", "twin", "--from", "4", "--to", "9", "--out", str(out))
    sent = {e.can_id for e in open_session(out).entries() if getattr(e, "direction", "") == "T"}
    mine = {e.can_id for e in open_session(HEALTHY).entries() if getattr(e, "direction", "") == "T"}
    assert sent <= mine


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([HEALTHY, "--on", "nowhere"], "names no box"),
        ([HEALTHY, "--on", "twin", "--also", "18FF2021"], "is what a box sends itself"),
        ([HEALTHY, "--on", "twin", "--also", "XYZ"], "is no identifier"),
        ([HEALTHY, "--on", "twin", "--speed", "99"], "no factor from 0.1 to 10"),
        ([HEALTHY, "--on", "twin", "--from", "0", "--to", "0.1"], "no stimulus"),
    ],
)
def test_wrong_words_are_told_before_anything_is_sent(words, said, tmp_path, capsys):
    assert main(["replay", *words, "--out", str(tmp_path / "s")]) == 2
    assert said in capsys.readouterr().err
    assert not (tmp_path / "s").exists()


@pytest.mark.realtime
@pytest.mark.alone
def test_it_is_played_over_a_pseudo_terminal_in_real_time(tmp_path):
    command = [sys.executable, "-m", "bench.cli"]
    served = subprocess.Popen([*command, "twin", "demo"], cwd=ROOT, stdout=subprocess.PIPE, text=True)
    with served:
        try:
            port = served.stdout.readline().strip()
            words = [HEALTHY, "--on", f"slcan:{port}", "--yes", "--from", "4", "--to", "9", "--json"]
            for attempt in range(3):  # a machine that was late is tried again, and red the third time
                out = ["--out", str(tmp_path / f"s{attempt}")]
                done = subprocess.run(
                    [*command, "replay", *words, *out], cwd=ROOT, capture_output=True, text=True, timeout=120
                )
                if done.returncode != 3:
                    break
        finally:
            served.terminate()
    assert "Traceback" not in done.stderr
    assert (done.returncode, json.loads(done.stdout)["outcome"]) == (0, "pass")
    assert "lag at worst" in done.stderr
