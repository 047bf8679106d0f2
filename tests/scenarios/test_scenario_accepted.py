"""Accepted discrepancies through the commands: listed apart in every report, exit status as if absent."""

import csv
import json

import pytest

from bench.cli import main
from bench.evidence.cuts import RECORDINGS

pytestmark = pytest.mark.slow
TEXT = """\
hardstand_accepted: 1
accepted:
  - subject: washdown
    kind: unexpected
    reason: its timer is 30 s in this series
    who: A. Builder
    expires: {day}
    also: [locker_light, screen helm 32, screen helm 42, panel helm 7]
"""


def accepted(tmp_path, day="9999-12-31"):
    path = tmp_path / "accepted.yaml"
    path.write_text(TEXT.format(day=day), encoding="utf-8")
    return str(path)


def test_every_report_lists_it_apart_and_the_status_is_that_of_a_pass(tmp_path, capsys):
    out = tmp_path / "out"
    words = [
        "judge",
        str(RECORDINGS / "fault-timer_short"),
        "--accepted",
        accepted(tmp_path),
        "--out",
        str(out),
    ]
    assert main(words) == 0
    said = capsys.readouterr().out
    assert said.startswith("PASS: 1 accepted; ")
    assert "accepted:\n  washdown: unexpected, " in said
    assert json.loads((out / "verdict.json").read_text())["accepted"][0]["who"] == "A. Builder"
    rows = list(csv.DictReader((out / "discrepancies.csv").read_text().splitlines()))
    assert {r["role"] for r in rows} == {"accepted", "accepted consequence"}
    assert "its timer is 30 s in this series" in (out / "report.html").read_text()
    junit = (out / "junit.xml").read_text()
    assert 'failures="0"' in junit and "accepted by A. Builder until 9999-12-31" in junit


def reasons(words, capsys):
    """Exit status, and what was seen of each discrepancy."""
    status = main(["judge", *words, "--json"])
    return status, [d["root"]["seen"] for d in json.loads(capsys.readouterr().out)["discrepancies"]]


def test_it_fails_once_it_has_expired_or_occurs_no_more(tmp_path, capsys):
    folder = str(RECORDINGS / "fault-timer_short")
    expired = accepted(tmp_path, "2026-01-31")
    assert reasons([folder, "--accepted", expired], capsys) == (1, ["off", "it expired on 2026-01-31"])
    words = [str(RECORDINGS / "healthy-full"), "--accepted", accepted(tmp_path)]
    assert reasons(words, capsys) == (1, ["it did not occur"])


def test_a_run_keeps_a_copy_and_is_judged_by_it_again(tmp_path, capsys):
    words = ["run", "demo", "--on", "twin", "--fault", "timer_short", "--out", str(tmp_path / "s")]
    assert main([*words, "--accepted", accepted(tmp_path)]) == 0
    first = capsys.readouterr().out
    assert main(["judge", str(tmp_path / "s")]) == 0
    assert capsys.readouterr().out == first


def test_a_wrong_file_is_told_before_anything_is_energised(tmp_path, capsys):
    path = tmp_path / "a.yaml"
    path.write_text("hardstand_accepted: 1\naccepted:\n  - {subject: x}\n", encoding="utf-8")
    assert main(["run", "demo", "--on", "twin", "--out", str(tmp_path / "s"), "--accepted", str(path)]) == 2
    assert f"{path}:3:5" in capsys.readouterr().err
    assert not (tmp_path / "s").exists()
