"""Courses of voltage: within the rating, as told, and off when they are cut short."""

import pytest
from served_supply import supply_of

from bench.core.clock import SystemClock
from bench.core.errors import BenchError, UsageError
from bench.lab.supply_sim import FAULTS, SimSupply
from bench.rig.profiles import Rating, brown_out, dip, over_voltage, play, slow_ramp

RATING = Rating(12.0, 9.0, 16.0)  # SUP-01: ISO 16750-2:2010 Table 1, code C: 9 to 16 V
ALL = [brown_out, dip, over_voltage, slow_ramp]


@pytest.mark.parametrize("make", ALL)
def test_by_default_a_course_begins_and_ends_at_nominal_within_the_rating(make):
    course = make(RATING).fits(RATING, 50.0)
    assert course.volts_at(0.0) == course.volts_at(course.end_ms) == 12.0
    assert all(9.0 <= v <= 16.0 for _, v in course.points) and len({v for _, v in course.points}) > 1
    assert course.source


def test_what_leaves_the_rating_or_outruns_the_supply_is_refused():
    with pytest.raises(UsageError, match=r"dip goes to 4.5 V - expected 0, or 9 to 16 V"):
        dip(RATING, to_v=4.5).fits(RATING, 50.0)
    with pytest.raises(UsageError, match="over-voltage goes to 24 V"):
        over_voltage(RATING, to_v=24.0).fits(RATING, 50.0)
    with pytest.raises(UsageError, match="shorter than the supply can follow"):
        dip(RATING, for_ms=20.0).fits(RATING, 50.0)


def test_a_slow_ramp_goes_down_and_up_by_equal_steps():
    volts = [v for _, v in slow_ramp(RATING).points]
    assert volts[:6] == [12.0, 11.4, 10.8, 10.2, 9.6, 9.0]
    assert volts == volts[::-1]


@pytest.mark.realtime
@pytest.mark.slow
def test_a_course_is_played_and_measured(serve):
    sim, readings = SimSupply(), []
    with supply_of(sim, serve) as supply:
        supply.set_limit(5.0)
        supply.output(True)
        late_ms = play(brown_out(RATING, for_ms=300.0), supply, SystemClock(), told=readings.append)
        assert sim.on
    assert [r.volts for r in readings] == [12.0, 9.0, 12.0]
    assert 0.0 <= late_ms < 1000.0


@pytest.mark.realtime
@pytest.mark.slow
def test_a_course_that_is_cut_short_or_fails_leaves_the_output_off(serve):
    sim = SimSupply()
    with supply_of(sim, serve) as supply:
        supply.output(True)
        play(brown_out(RATING), supply, SystemClock(), stopped=lambda: True)
        assert not sim.on
        supply.output(True)
        sim.fault = FAULTS["front_panel"]
        with pytest.raises(BenchError, match="reads back"):
            play(brown_out(RATING), supply, SystemClock())
        assert not sim.on
