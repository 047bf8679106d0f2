"""The sample recordings reach their known verdicts, whole and cut."""

import re

import pytest

from bench.cli.judging import judged
from bench.core.verdict import FAIL, PASS
from bench.evidence.cuts import RECORDINGS, is_right, outcome_of_cut, places, sample_recordings
from bench.evidence.sample import samples

CUTS = 5
ROW = re.compile(r"^\| (\S+) \| `(.+?)` \| (\w+) \| (.*?) \|$", re.M)
LISTED = {name: rest for name, *rest in ROW.findall((RECORDINGS / "README.md").read_text(encoding="utf-8"))}
FOLDERS = sample_recordings()

pytestmark = pytest.mark.slow


def test_the_readme_lists_every_recording_and_no_other():
    assert sorted(LISTED) == [folder.name for folder in FOLDERS]
    assert sum(name.startswith("healthy-") for name in LISTED) >= 1
    assert sum(name.startswith("fault-") for name in LISTED) >= 4


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_a_recording_reaches_its_known_verdict_on_the_right_circuit(folder):
    made_by, outcome, subject = LISTED[folder.name]
    verdict = judged(str(folder), None)[1].verdict
    assert verdict.outcome == outcome == (FAIL if folder.name.startswith("fault-") else PASS)
    assert [d.subject for d in verdict.discrepancies][:1] == ([subject] if subject != "-" else [])
    assert ("--fault" in made_by) == folder.name.startswith("fault-")


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_a_recording_is_small_and_whole(folder):
    assert sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) < 2_000_000
    session = judged(str(folder), None)[0]
    assert (session.cut, session.bad_count) == (None, 0)


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_a_recording_cut_anywhere_never_turns_into_a_wrong_verdict(folder):
    outcomes = {offset: outcome_of_cut(folder, offset) for offset in places(folder, CUTS, seed=2)}
    assert {offset: o for offset, o in outcomes.items() if not is_right(folder, o)} == {}


def test_the_readme_shows_what_the_commands_print():
    text = (RECORDINGS.parent / "README.md").read_text(encoding="utf-8")
    assert samples() in text
