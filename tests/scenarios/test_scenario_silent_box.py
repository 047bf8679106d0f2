"""A box that falls silent is a doubt, also right after a stimulus whose effect was due just then."""

from dataclasses import replace

import pytest

from bench.lab.api import boat_tables, run_virtual
from bench.twin import Fault


@pytest.mark.slow
@pytest.mark.parametrize("at_ms", [8990, 9000, 9050, 9300])
def test_a_box_that_falls_silent_between_stimulus_and_deadline_is_never_a_fail(at_ms):
    verdict = run_virtual("demo", faults=(Fault.parse(f"silent:main/{at_ms}"),), seed=1).verdict
    assert (verdict.outcome, verdict.discrepancies) == ("inconclusive", ())
    assert any("nothing was heard of box main" in d.reason for d in verdict.doubts)


@pytest.mark.slow
@pytest.mark.parametrize("at_ms", [9000, 9050])
def test_a_box_that_restarts_between_stimulus_and_deadline_is_named_for_its_restart(at_ms):
    verdict = run_virtual("demo", faults=(Fault.parse(f"restarts:{at_ms}"),), seed=1).verdict
    assert verdict.outcome == "fail"
    assert [(d.subject, d.root.kind) for d in verdict.discrepancies] == [("main", "restart")]


@pytest.mark.slow
def test_a_key_pressed_while_its_box_started_anew_says_nothing_of_other_boxes():
    verdict = run_virtual("fulmar", faults=(Fault.parse("restarts:9000"),), seed=3).verdict
    assert [(d.subject, d.root.kind) for d in verdict.discrepancies] == [("fore", "restart")]


@pytest.mark.slow
def test_what_was_not_available_for_a_while_is_judged_again_once_it_is():
    verdict = run_virtual("dunlin", faults=(Fault.parse("frames_late:ChannelState1/300"),), seed=2).verdict
    assert verdict.outcome == "fail"
    assert "the box reports its state as not available" in {d.reason for d in verdict.doubts}


@pytest.mark.slow
@pytest.mark.parametrize(("absent_ms", "outcome"), [(250, "pass"), (360, "pass"), (600, "inconclusive")])
def test_that_values_are_available_is_shown_as_late_as_any_change(absent_ms, outcome):
    tables = boat_tables("dunlin")  # agreed are 300 ms, and 100 for a change to be shown
    boxes = tuple(replace(b, not_available_ms=absent_ms) for b in tables.boxes)
    verdict = run_virtual("dunlin", tables=replace(tables, boxes=boxes), seed=2).verdict
    assert (verdict.outcome, list(verdict.discrepancies)) == (outcome, [])


@pytest.mark.slow
def test_a_sign_of_life_that_stands_still_is_found():
    verdict = run_virtual("demo", faults=(Fault.parse("counter_stuck:BoxAlive"),), seed=1, short=True).verdict
    assert [(d.subject, d.root.kind) for d in verdict.discrepancies] == [("main", "counter")]


@pytest.mark.slow
def test_a_box_of_which_no_such_thing_was_agreed_gets_no_grace():
    tables = boat_tables("demo")  # values are available at once there
    boxes = tuple(replace(b, not_available_ms=150) for b in tables.boxes)
    verdict = run_virtual("demo", tables=replace(tables, boxes=boxes), seed=1, short=True).verdict
    assert verdict.outcome == "inconclusive"
    assert {"the box reports its state as not available"} <= {d.reason for d in verdict.doubts}
