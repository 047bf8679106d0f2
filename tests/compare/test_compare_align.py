"""Stimuli are matched by what was done, and only what met the same state is compared."""

import pytest
from toy_records import Story, toy_boat

from bench.compare import align as align_module
from bench.compare.align import align, unmatched
from bench.compare.step import in_step


@pytest.fixture(scope="module")
def boat(tmp_path_factory):
    return toy_boat(tmp_path_factory.mktemp("boat"))


def words(record, numbers):
    return [record.stimuli[k].words() for k in numbers]


def blink(story, times):
    for _ in range(times):
        story.press("lamp", ("lamp", 1)).press("lamp", ("lamp", 0))
    return story


def test_equal_sequences_match_one_to_one_whatever_the_time(boat):
    a, b = blink(Story(boat), 3).record, blink(Story(boat).wait(70_000), 3).record
    assert align(a, b) == [(k, k) for k in range(12)]


def test_a_stimulus_that_only_one_session_has_is_left_without_partner(boat):
    a = blink(Story(boat), 2).record
    b = blink(blink(Story(boat), 1).press("pump", ("pump", 1)), 1).record
    pairs = align(a, b)
    assert len(pairs) == 8
    assert words(b, unmatched(len(b.stimuli), [j for _, j in pairs])) == [
        "panel helm 2 pressed",
        "panel helm 2 released",
    ]


def test_of_several_alignments_the_one_that_meets_the_same_state_is_taken(boat):
    a = Story(boat).press("lamp", ("lamp", 1)).press("lamp", ("lamp", 0)).record
    b = Story(boat)
    b.show("lamp", 1)
    b.press("lamp", ("lamp", 0)).press("lamp", ("lamp", 1)).press("lamp", ("lamp", 0))
    pairs = align(a, b.record)
    assert [j for _, j in pairs] == [2, 3, 4, 5]


def test_a_long_block_is_aligned_by_names_alone(boat, monkeypatch):
    monkeypatch.setattr(align_module, "MOST_CELLS", 0)
    a = blink(Story(boat), 2).record
    b = blink(Story(boat).press("pump", ("pump", 1)), 2).record
    assert [j for _, j in align(a, b)] == list(range(2, 10))


def test_what_was_seen_otherwise_before_a_press_is_not_compared(boat):
    a = Story(boat).press("lamp", ("lamp", 1)).press("lamp", ("lamp", 0)).press("lamp", ("lamp", 1)).record
    b = Story(boat).press("lamp").press("lamp", ("lamp", 1)).press("lamp", ("lamp", 0)).record
    alike = [p.is_alike for p in in_step(a, b, align(a, b)) if a.stimuli[p.a].kind == "press"]
    assert alike == [True, False, False]


def test_a_count_that_no_report_shows_is_out_of_step_until_both_lose_supply(boat):
    def wiped(story, *, extra):
        for _ in range(extra):
            story.press("wipers", ("wiper_a", 1)).press("wipers", ("wiper_b", 1))
            story.press("wipers", ("wiper_a", 0), ("wiper_b", 0))
        return story.press("wipers", ("wiper_a", 1))

    a, b = wiped(Story(boat).supply(), extra=0), wiped(Story(boat).supply(), extra=1)
    a.show("wiper_a", 0).supply().press("wipers", ("wiper_a", 1))
    b.show("wiper_a", 0).supply().press("wipers", ("wiper_a", 1))
    a, b = a.record, b.record
    steps = in_step(a, b, align(a, b))
    presses = [p for p in steps if a.stimuli[p.a].kind == "press"]
    assert presses[-1].is_alike
    unshown = in_step(a, b, [p for p in align(a, b) if a.stimuli[p[0]].kind != "supply"])
    assert not any(p.is_alike for p in unshown if a.stimuli[p.a].kind == "press")


def test_a_plain_circuit_is_in_step_as_soon_as_both_look_alike(boat):
    a = blink(Story(boat), 2).record
    b = blink(Story(boat).press("lamp", ("lamp", 1)).press("lamp", ("lamp", 0)), 2).record
    assert all(p.is_alike for p in in_step(a, b, align(a, b)))
