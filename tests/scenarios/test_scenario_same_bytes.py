"""The same seed gives the same bytes, in every file of a session; another seed gives others."""

import json
import re
from pathlib import Path

import pytest

import bench
from bench.cli import main
from bench.session import open_session

pytestmark = [pytest.mark.slow, pytest.mark.plans_anew]

ROOT = Path(bench.__file__).resolve().parent.parent
CASES = {
    "healthy": ["demo", "--seed", "7"],
    "two boxes": ["fulmar", "--seed", "3", "--short"],
    "faulty": ["demo", "--seed", "7", "--fault", "late_key"],
    "noisy bus": ["demo", "--seed", "5", "--fault", "frames_lost"],
    "short": ["dunlin", "--short"],
}
RESULTS = {"verdict.json", "report.html", "junit.xml", "discrepancies.csv", "discrepancies.jsonl"}
SESSION = {"frames.log", "marks.jsonl", "session.json", "spec.yaml", "plan.json"}


def run(folder, words):
    """Every file of the session that a run leaves: name -> bytes."""
    main(["run", *words, "--on", "twin", "--out", str(folder)])
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.mark.parametrize("words", CASES.values(), ids=CASES)
def test_the_same_seed_gives_the_same_bytes_in_every_file(words, tmp_path):
    # folders of one name, since a session shows its folder's name in its report
    made = [run(tmp_path / name / "s", words) for name in ("a", "b")]
    assert set(made[0]) == set(made[1]) >= RESULTS | SESSION
    assert [name for name in made[0] if made[0][name] != made[1][name]] == []


def test_the_folders_name_is_shown_and_changes_nothing_else(tmp_path):
    made = [run(tmp_path / name, CASES["short"]) for name in ("aaaa", "bbbb")]
    differs = {name for name in made[0] if made[0][name] != made[1][name]}
    assert differs <= RESULTS
    assert all(made[0][name].replace(b"aaaa", b"bbbb") == made[1][name] for name in differs)


def test_another_seed_gives_other_frames_and_the_same_verdict(tmp_path):
    made = [run(tmp_path / str(seed) / "s", ["demo", "--seed", str(seed)]) for seed in (7, 8)]
    assert made[0]["frames.log"] != made[1]["frames.log"]
    verdicts = [json.loads(m["verdict.json"]) for m in made]
    assert {v["outcome"] for v in verdicts} == {"pass"}
    assert verdicts[0]["tested"].keys() == verdicts[1]["tested"].keys()


def documented():
    """Keys of session.json that the page on recordings says may differ from day to day or by machine."""
    text = (ROOT / "docs" / "recording.md").read_text(encoding="utf-8")
    part = text.split("### session.json")[1].split("\n#")[0]
    return set(re.findall(r"^\| `(\w+)` \|.*\| (?:time|machine|version) \|$", part, re.M))


def test_no_virtual_session_holds_the_time_of_day_and_the_few_other_fields_are_documented(tmp_path):
    run(tmp_path / "s", CASES["short"])
    header = open_session(tmp_path / "s").header
    assert documented() == {"hardstand", "python", "judge", "started", "scheduling"}
    assert {"hardstand", "python", "judge"} <= set(header)
    assert not {"started", "scheduling"} & header.keys()  # a real run says; a virtual one has neither
