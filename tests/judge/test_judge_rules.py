"""The sample rule, the deadline rule, start states, shared unknown instants, adoption."""

import pytest
from toy import MS, ToyModel

from bench.core.event import PRESS, Event
from bench.judge import Judge, SignalRule
from bench.loads import Load

RESPOND, JITTER, CYCLE = 100, 4, 100
WINDOW = RESPOND + JITTER


def rule(signal, kind, subject):
    return SignalRule(signal, kind, subject, RESPOND * MS, 0, JITTER * MS, CYCLE * MS, True, 0.3)


RULES = {
    "state:light": rule("state:light", "state", "light"),
    "state:pump": rule("state:pump", "state", "pump"),
    "state:mirror": rule("state:mirror", "state", "mirror"),
    "lamp:key": rule("lamp:key", "lamp", "key"),
    "current:light": SignalRule(
        "current:light", "current", "light", 250 * MS, 100 * MS, 4 * MS, 100 * MS, False, 0.05
    ),
}


class Bench:
    """Feeds a judge in milliseconds and keeps what it finds."""

    def __init__(self, *, light=0.0, lamp=False):
        self.found = []
        rules = {n: r for n, r in RULES.items() if lamp or n != "lamp:key"}
        self.judge = Judge(
            ToyModel(), rules, {"light": Load("resistive", 2.0, 12.0)}, {"light": 250 * MS}, self.found.append
        )
        self.judge.start(0)
        self.number = 0
        if light is not None:
            self.see(300, "state:light", light)

    def press(self, t_ms, key="key"):
        self.number += 1
        self.judge.event(Event(round(t_ms * MS), PRESS, key, 1), round(t_ms * MS), self.number)

    def see(self, t_ms, signal, value):
        self.judge.advance(round(t_ms * MS))
        self.judge.sample(round(t_ms * MS), signal, value)

    def wait(self, t_ms):
        self.judge.advance(round(t_ms * MS))


def test_a_change_inside_the_window_is_right_old_and_new_value_alike():
    bench = Bench()
    bench.press(1000)
    bench.see(1050, "state:light", 0)
    bench.see(1080, "state:light", 1)
    bench.see(1180, "state:light", 1)
    bench.wait(2000)
    assert bench.found == []


@pytest.mark.parametrize("t_ms", [1000 + WINDOW + 1, 1300])
def test_an_old_value_after_the_window_is_a_deviation(t_ms):
    bench = Bench()
    bench.press(1000)
    bench.see(t_ms, "state:light", 0)
    assert [(f.kind, f.subject, f.expected, f.seen, f.cause) for f in bench.found] == [
        ("missing", "light", "on", "off", 1)
    ]


def test_a_change_that_is_never_shown_is_overdue_even_without_any_frame():
    bench = Bench()
    bench.press(1000)
    bench.wait(1000 + WINDOW)
    assert bench.found == []
    bench.wait(1000 + WINDOW + 1)
    assert [(f.kind, f.unseen) for f in bench.found] == [("missing", True)]


def test_new_then_old_again_inside_the_window_runs_time_backwards():
    bench = Bench()
    bench.press(1000)
    bench.see(1020, "state:light", 1)
    bench.see(1060, "state:light", 0)
    assert [f.kind for f in bench.found] == ["missing"]


def test_frames_that_may_have_overtaken_each_other_do_not_run_time_backwards():
    bench = Bench()
    bench.press(1000)
    bench.see(1020, "state:light", 1)
    bench.see(1020 + JITTER - 1, "state:light", 0)
    bench.see(1090, "state:light", 1)
    assert bench.found == []


def test_a_change_without_a_cause_is_unexpected():
    bench = Bench()
    bench.see(5000, "state:light", 1)
    assert [(f.kind, f.expected, f.seen, f.cause) for f in bench.found] == [("unexpected", "off", "on", 0)]


def test_a_reaction_before_its_cause_is_found():
    bench = Bench()
    bench.see(1000 - JITTER - 1, "state:light", 1)
    bench.press(1000)
    assert len(bench.found) == 1


def test_a_change_back_that_comes_too_soon_to_prove_is_not_demanded():
    bench = Bench()
    bench.press(1000)
    bench.press(1060)
    bench.see(1200, "state:light", 0)
    bench.wait(2000)
    assert bench.found == []


def test_an_unknown_start_is_not_judged_until_it_is_seen_and_then_it_is():
    bench = Bench(light=None)
    assert not bench.judge.clusters[0].known()
    bench.see(50, "state:light", 1)
    assert not bench.judge.clusters[0].known(), "within the first window nothing is learned"
    bench.see(300, "state:light", 1)
    assert bench.judge.clusters[0].known()
    bench.see(400, "state:light", 0)
    assert [f.expected for f in bench.found] == ["on"]


def test_after_a_deviation_the_observed_state_is_adopted_and_judging_goes_on():
    bench = Bench()
    bench.press(1000)
    bench.see(1200, "state:light", 0)
    bench.see(1300, "state:light", 0)
    bench.wait(1500)
    bench.see(1500, "state:light", 0)
    assert len(bench.found) == 1
    bench.see(1600, "state:light", 1)
    assert [f.kind for f in bench.found] == ["missing", "unexpected"]


def test_an_uncertain_end_may_come_anywhere_in_its_interval_but_only_once():
    for end in (1410, 1600, 1790):
        bench = Bench()
        bench.press(400, "pump")
        for name in ("state:pump", "state:mirror"):
            bench.see(490, name, 1)
        for t in range(600, 2400, 100):
            for name in ("state:pump", "state:mirror"):
                bench.see(t, name, 0 if t >= end + 50 else 1)
        bench.wait(3000)
        assert bench.found == []


def test_what_one_signal_shows_of_an_uncertain_end_binds_the_others():
    bench = Bench()
    bench.press(400, "pump")
    for t in (490, 1300):
        bench.see(t, "state:pump", 1)
        bench.see(t, "state:mirror", 1)
    bench.see(1500, "state:pump", 0)
    bench.see(1500, "state:mirror", 1)
    bench.see(1550, "state:mirror", 1)
    assert bench.found == [], "the mirror may be late by the response time"
    bench.see(1500 + WINDOW + 2 * JITTER + 1, "state:mirror", 1)
    assert [f.subject for f in bench.found] == ["mirror"]


def test_an_uncertain_end_that_never_comes_is_overdue():
    bench = Bench()
    bench.press(400, "pump")
    for t in range(490, 3000, 90):
        bench.see(t, "state:pump", 1)
        bench.see(t, "state:mirror", 1)
    assert bench.found[0].subject == "pump"
    assert 1800 < bench.found[0].t_ns / MS < 1800 + WINDOW + 100


def test_an_end_that_comes_too_early_is_found():
    bench = Bench()
    bench.press(400, "pump")
    for name in ("state:pump", "state:mirror"):
        bench.see(490, name, 1)
    bench.see(1300, "state:pump", 0)
    assert [(f.kind, f.expected) for f in bench.found] == [("unexpected", "on")]


def test_a_lamp_is_held_to_what_the_circuit_should_do():
    bench = Bench(lamp=True)
    bench.see(400, "lamp:key", 0)
    bench.press(1000)
    bench.see(1080, "state:light", 1)
    bench.see(1180, "lamp:key", 0)
    bench.see(1280, "lamp:key", 0)
    assert [(f.signal, f.expected, f.seen) for f in bench.found] == [("lamp:key", "lit", "dark")]


def test_a_current_is_judged_when_steady_and_only_on_two_readings_in_a_row():
    bench = Bench()
    bench.press(1000)
    bench.see(1050, "state:light", 1)
    bench.see(1100, "current:light", 9.0)
    bench.see(1500, "current:light", 2.0)
    bench.see(1600, "current:light", 0.0)
    bench.see(1700, "current:light", 2.05)
    assert bench.found == []
    bench.see(1800, "current:light", 0.0)
    bench.see(1900, "current:light", 0.0)
    assert [(f.kind, f.seen, f.expected) for f in bench.found] == [
        ("current", "0.00 A", "1.81 to 2.17 A (on)")
    ]
