"""Live and from the recording, sampled: the same to the letter."""

import pytest

from bench.evidence.live import BOATS, TROUBLES, both, difference, random_run, sample_recordings


@pytest.mark.parametrize(("name", "written", "now"), [*sample_recordings()])
def test_the_verdict_beside_a_shipped_recording_is_the_one_it_gives(name, written, now):
    assert difference(written, now) == ""


@pytest.mark.slow
@pytest.mark.parametrize("boat", BOATS)
@pytest.mark.parametrize("seed", [1001, 1002])
def test_of_a_random_run(boat, seed, tmp_path):
    outcome, live, again = both(random_run(boat, seed), tmp_path / "session")
    assert outcome in live
    assert difference(live, again) == ""


def test_random_runs_differ_and_are_drawn_alike_again():
    runs = [random_run("dunlin", seed) for seed in range(60)]
    assert runs == [random_run("dunlin", seed) for seed in range(60)]
    assert {r.trouble for r in runs} == set(TROUBLES)
    assert len({r.box_fault for r in runs}) > 20


def test_a_difference_is_told_by_its_first_line():
    assert difference("a\nb", "a\nc") == "live b, from the recording c"
    assert difference("a\nb", "a") == "one is longer than the other"
