"""The study of killed runs: that it would notice what is not right."""

from dataclasses import replace

import pytest

from bench.evidence.kills import Killed

RIGHT = Killed("SIGKILL", 3.0, -9, "inconclusive", (), 40, {"state": "acted"}, 80.0)


def test_a_run_after_which_everything_is_off_is_right():
    assert RIGHT.is_right and RIGHT.guard_word == "all off"


@pytest.mark.parametrize(
    "more",
    [
        {"on": ("horn",)},
        {"outcome": "fail"},
        {"outcome": "error: no such recording"},
        {"guard": {"state": "watching"}},
        {"guard": {}},
        {"lost_ms": 400.0},
        {"on": ("horn", "wiper_fwd"), "guard": {"state": "acted", "stays_on": ["horn"]}},
    ],
    ids=str,
)
def test_what_is_not_right_is_noticed(more):
    assert not replace(RIGHT, **more).is_right


def test_what_the_guard_names_is_not_left_on_unnoticed():
    named = replace(RIGHT, on=("horn",), guard={"state": "acted", "not_heard": ["horn"]})
    assert named.is_right and named.guard_word == "named what stays on"


def test_a_run_that_sent_nothing_needs_no_guard():
    assert replace(RIGHT, on=("horn",), sent=0, guard={}).is_right
