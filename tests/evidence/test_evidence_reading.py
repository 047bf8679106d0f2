"""The study of reading speed: that it compares the same work. How fast is for the study to say."""

import random
from pathlib import Path

import pytest

from bench.evidence import boat_log, memory, mutations, reading
from bench.session import open_session


@pytest.fixture
def often(monkeypatch):
    """A boat whose keys are pressed more often, so that its recording is made sooner."""
    monkeypatch.setattr(boat_log, "EVERY_S", 45.0)


@pytest.mark.slow
@pytest.mark.usefixtures("often")
def test_it_compares_every_aim_on_recordings_that_both_sides_read_whole(tmp_path):
    rows, ratios = reading.compare(2_000, tmp_path)
    assert set(ratios) == {*reading.AIMS, "verdicts a second"}
    assert all(ratio > 0 for ratio in ratios.values())
    assert sum("python-can" in str(row[0]) for row in rows) == 4


def test_dirty_recordings_have_about_the_share_of_dirty_lines(tmp_path):
    reading.make_recording(tmp_path / "x.log", 5_000, dirty_share=0.01)
    session = open_session(tmp_path / "x.log")
    assert 10 <= session.bad_count <= 50
    assert session.frames + session.bad_count == 5_000


def test_the_study_of_mutations_would_notice_a_wrong_reading(tmp_path, monkeypatch):
    path = tmp_path / "x.log"
    path.write_bytes(mutations.random_recording(random.Random(3), 8))
    assert mutations.complaint_of(path) == ""
    right = mutations.by_grammar
    monkeypatch.setattr(mutations, "by_grammar", lambda text: (right(text)[0][:-1], right(text)[1]))
    assert mutations.complaint_of(path) == "the frames are not those of the grammar"
    monkeypatch.setattr(mutations, "by_grammar", lambda text: (right(text)[0], [99]))
    assert "the grammar refuses [99]" in mutations.complaint_of(path)


@pytest.mark.slow
def test_the_study_of_mutations_holds_on_a_sample():
    page = mutations.study(0.002)
    assert page.holds
    assert page.tables[0].rows[0][0] == 200


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the peak is read from Linux's /proc")
@pytest.mark.usefixtures("often")
def test_the_study_of_memory_measures_a_process_of_its_own():
    page = memory.study(0.0005)
    assert page.holds
    peaks_mb = [float(str(row[3]).split()[0]) for row in page.tables[0].rows]
    assert len(peaks_mb) == 4
    assert 50 < min(peaks_mb) <= max(peaks_mb) < memory.AIM_MB
