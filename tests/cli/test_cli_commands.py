"""What commands print when all is well."""

import csv
import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as Xml

import pytest

from bench.cli import main

ROOT = Path(__file__).resolve().parents[2]
RESULTS = ["discrepancies.csv", "discrepancies.jsonl", "junit.xml", "report.html", "verdict.json"]


def said(capsys, *argv):
    """Exit status and standard output."""
    status = main([str(word) for word in argv])
    return status, capsys.readouterr().out


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    """A short run on the virtual box; gives folder and exit status."""
    folder = tmp_path_factory.mktemp("run") / "session"
    return folder, main(["run", "demo", "--on", "twin", "--short", "--out", str(folder)])


@pytest.mark.parametrize("boat", ["demo", "dunlin", "fulmar"])
def test_check_finds_no_error_in_a_shipped_boat_and_says_what_it_promises(capsys, boat):
    status, out = said(capsys, "check", boat)
    assert status == 0
    assert "0 errors" in out
    assert "What this spec promises:" in out
    promises = out.split("What this spec promises:")[1]
    assert all(len(line) <= 100 for line in promises.splitlines())


def test_check_as_json_holds_findings_and_promises(capsys):
    status, out = said(capsys, "check", "demo", "--json")
    document = json.loads(out)
    assert status == document["status"] == 0
    assert any("key 1" in promise for promise in document["promises"])


def test_the_schema_is_a_json_schema_of_objects(capsys):
    status, out = said(capsys, "check", "--schema")
    document = json.loads(out)
    assert status == 0
    assert {"circuits", "functions", "controls"} <= set(document["properties"])


def test_plan_says_duration_steps_coverage_and_what_is_left_out(capsys):
    status, out = said(capsys, "plan", "demo")
    assert status == 0
    assert out.startswith("Kittiwake: ")
    assert " s on the bench" in out.splitlines()[0]
    assert "press panel helm 3" in out
    assert "\ncovers:\n" in out
    assert "\nnot tested:\n  by hand: " in out


def test_the_short_plan_keeps_within_twenty_seconds(capsys):
    _, out = said(capsys, "plan", "demo", "--short", "--json")
    document = json.loads(out)
    assert 0 < document["duration_ms"] < 20_000
    assert document["steps"][0]["at_ms"] == 0


@pytest.mark.slow
def test_a_run_leaves_recording_copies_and_results_in_its_folder(session):
    folder, _ = session
    names = {path.name for path in folder.iterdir()}
    assert {"frames.log", "marks.jsonl", "session.json", "spec.yaml", "plan.json", *RESULTS} <= names


@pytest.mark.slow
def test_judging_again_prints_the_same_verdict_and_gives_the_same_status(session, capsys):
    folder, status = session
    again, out = said(capsys, "judge", folder, "--json")
    live = json.loads((folder / "verdict.json").read_text())
    judged = json.loads(out)
    judged.pop("evidence")
    assert again == status
    assert judged == live


@pytest.mark.slow
def test_judge_changes_nothing_in_the_session_and_writes_where_it_is_told(session, tmp_path, capsys):
    folder, _ = session
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    said(capsys, "judge", folder, "--out", tmp_path / "results")
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    assert sorted(path.name for path in (tmp_path / "results").iterdir()) == RESULTS


@pytest.mark.slow
def test_report_writes_all_files_or_the_page_alone(session, tmp_path, capsys):
    folder, status = session
    got, out = said(capsys, "report", folder)
    assert got == status
    assert [Path(line).name for line in sorted(out.splitlines()[1:])] == RESULTS
    said(capsys, "report", folder, "--html", tmp_path / "page.html")
    assert (tmp_path / "page.html").read_text().startswith("<!doctype html>")
    Xml.fromstring((folder / "junit.xml").read_bytes())
    rows = csv.reader((folder / "discrepancies.csv").read_text().splitlines())
    assert next(rows)[0] == "number"


@pytest.mark.slow
def test_a_bare_recording_is_judged_by_the_spec_that_is_named(session, tmp_path, capsys):
    folder, _ = session
    bare = tmp_path / "bare.log"
    bare.write_bytes((folder / "frames.log").read_bytes())
    status, out = said(capsys, "judge", bare, "--spec", "demo", "--json")
    document = json.loads(out)
    assert status in (0, 3)  # without marks less can be proved, but nothing may be called wrong
    assert document["discrepancies"] == []
    assert document["judged_samples"] > 1000


def test_faults_are_listed_with_what_they_are_and_their_expected_verdict(capsys):
    status, out = said(capsys, "twin", "--faults", "--json")
    document = json.loads(out)
    assert status == 0
    assert len(document["faults"]) >= 30
    assert all({"kind", "about", "expected"} <= set(fault) for fault in document["faults"])
    _, text = said(capsys, "twin", "--faults")
    assert all((fault["kind"] in text) == ("kittiwake" in fault["expected"]) for fault in document["faults"])


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_the_served_box_prints_its_port_first_and_ends_when_told(number):
    words = [sys.executable, "-m", "bench.cli", "twin", "demo"]
    process = subprocess.Popen(words, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    with process:
        port = process.stdout.readline().strip()
        is_there = os.path.exists(port)  # noqa: PTH110 - a device, not a file of ours
        process.send_signal(number)
        _, err = process.communicate(timeout=20)
    assert is_there
    assert "Traceback" not in err
    assert process.returncode == 0
