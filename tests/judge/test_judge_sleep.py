"""Boxes that are dark or just waking: what is clear of the circuits that need them."""

from bench.core.event import SUPPLY
from bench.judge.rules import MS
from bench.judge.sleep import TOGETHER_NS, WAKING, WITHOUT, Sleep

LATER = TOGETHER_NS + 1


class TwoBoxes:
    """Cluster 0 needs both boxes, cluster 1 only aft."""

    def route(self, event, states):
        assert event.kind == SUPPLY
        return [(k, None) for k in ((0,) if event.name == "fore" else (0, 1))]


def asleep(*fallen):
    sleep = Sleep(TwoBoxes(), ("fore", "aft"))
    for box, why in fallen:
        sleep.fell(box, why, 0)
    return sleep


def test_all_is_clear_while_every_box_is_awake():
    assert not asleep()
    assert asleep().unclear(0, LATER, stimulus=True) is None


def test_with_one_box_dark_nothing_is_clear_for_circuits_that_need_both():
    sleep = asleep(("fore", WITHOUT))
    assert sleep.unclear(0, LATER, stimulus=True) == ("fore", WITHOUT)
    assert sleep.unclear(0, LATER, stimulus=False) == ("fore", WITHOUT)
    assert sleep.unclear(1, LATER, stimulus=True) is None


def test_with_all_boxes_dark_it_is_clear_that_nothing_happens():
    assert asleep(("fore", WITHOUT), ("aft", WITHOUT)).unclear(0, LATER, stimulus=True) is None


def test_supplies_that_go_together_leave_timers_alone():
    sleep = asleep(("fore", WITHOUT))
    assert sleep.unclear(0, 10 * MS, stimulus=False) is None
    assert sleep.unclear(0, 10 * MS, stimulus=True) is not None


def test_a_stimulus_to_a_waking_box_is_not_clear_until_it_woke():
    sleep = asleep(("aft", WAKING))
    assert sleep.unclear(1, LATER, stimulus=True) == ("aft", WAKING)
    assert sleep.unclear(1, LATER, stimulus=False) is None
    assert sleep.is_waking("aft")
    sleep.woke("aft")
    assert sleep.unclear(1, LATER, stimulus=True) is None
