"""What the supply's current must show of a switching, and what it cannot tell."""

import pytest

from bench.judge.witness import BELOW, NOT_WITNESSED, OVERLAPPED, UNCLEAR, WITNESSED, Look, Witness
from bench.loads import Load, drawn, wander_a

LOADS = {
    "heater": Load("resistive", 8.0, 12.0),  # 12 %: 6.4 to 9.1 A where the wires take 7 % of the volts
    "light": Load("led", 2.0, 12.0),
    "lamp": Load("led", 0.3, 12.0),
    "fan": Load("motor", 4.0, 12.0),
    "other_fan": Load("motor", 4.0, 12.0),
}
OFF = dict.fromkeys(LOADS, 0.0)


class Readings:
    """A witness that is told settings one after the other, ten readings a second."""

    def __init__(self, detects_a=0.5):
        self.witness, self.found, self.t_ms = Witness(LOADS, detects_a), [], 0

    def of(self, amps, count=3, *, without=(), **levels):
        for k in range(count):
            known = {c: v for c, v in {**OFF, **levels}.items() if c not in without}
            each = amps[k % len(amps)] if isinstance(amps, tuple) else amps
            t_ns = self.t_ms * 1_000_000
            self.found += self.witness.take(Look(t_ns, t_ns + 20_000_000, 12.0, each, known))
            self.t_ms += 100
        return self

    def end(self):
        self.found += self.witness.close()
        return [(*s.circuits, s.on, s.result) for s in self.found]


@pytest.mark.parametrize(
    ("amps", "result"),
    [(8.0, WITNESSED), (6.6, WITNESSED), (0.0, NOT_WITNESSED), (0.3, NOT_WITNESSED), (3.0, UNCLEAR)],
)
def test_a_step_of_current_witnesses_a_circuit_that_goes_on(amps, result):
    assert Readings().of(0.0).of(amps, heater=100.0).end() == [("heater", True, result)]


@pytest.mark.parametrize(("amps", "result"), [(0.0, WITNESSED), (8.0, NOT_WITNESSED), (4.0, UNCLEAR)])
def test_one_that_goes_off_must_take_its_current_away(amps, result):
    assert Readings().of(8.0, heater=100.0).of(amps).end() == [("heater", False, result)]


def test_one_reading_proves_nothing():
    assert Readings().of(0.0).of(0.0, count=1, heater=100.0).of(0.0).end() == []


def test_readings_of_one_setting_that_differ_are_unclear():
    assert Readings().of(0.0).of((8.0, 0.0), heater=100.0).end() == [("heater", True, UNCLEAR)]


def test_what_the_supply_cannot_show_is_below_its_limit():
    assert Readings().of(0.0).of(0.0, lamp=100.0).end() == [("lamp", True, BELOW)]
    assert Readings(detects_a=8.0).of(0.0).of(0.0, heater=100.0).end() == [("heater", True, BELOW)]


def test_two_at_once_are_told_apart_where_one_cannot_be_the_others_tolerance():
    both = {"heater": 100.0, "light": 100.0}
    assert Readings().of(0.0).of(10.0, **both).end() == [
        ("heater", True, WITNESSED), ("light", True, OVERLAPPED),
    ]  # fmt: skip
    assert Readings().of(0.0).of(2.0, **both).end() == [
        ("heater", True, NOT_WITNESSED), ("light", True, OVERLAPPED),
    ]  # fmt: skip


def test_that_one_of_several_did_nothing_may_be_sure_though_not_which():
    both = {"fan": 100.0, "other_fan": 100.0}
    assert Readings().of(0.0).of(2.0, **both).end() == [("fan", "other_fan", True, NOT_WITNESSED)]
    assert Readings().of(0.0).of(4.8, **both).end() == [
        ("fan", True, OVERLAPPED), ("other_fan", True, OVERLAPPED),
    ]  # fmt: skip


def test_what_changes_the_other_way_hides_no_more_than_it_can_draw():
    assert Readings().of(2.0, light=100.0).of(8.0, heater=100.0).end() == [
        ("heater", True, WITNESSED), ("light", False, OVERLAPPED),
    ]  # fmt: skip


def test_a_dimmed_load_may_be_met_at_either_end_of_its_pulse():
    assert Readings().of(0.0).of(0.0, light=40.0).end() == [("light", True, BELOW)]
    assert Readings().of(2.0, light=40.0).of(8.0, light=40.0, heater=100.0).end() == [
        ("heater", True, WITNESSED)
    ]
    assert Readings().of(2.0, light=40.0).of(3.0, light=40.0, fan=100.0).end() == [("fan", True, OVERLAPPED)]


def test_what_is_not_known_may_have_just_come_on():
    """Twelve times its current for a moment: nothing is said against anything meanwhile."""
    before = Readings().of(0.0, without=("fan",))
    assert before.of(0.0, without=("fan",), heater=100.0).end() == [("heater", True, OVERLAPPED)]
    assert drawn(LOADS["fan"], None, 12.0).hi_a > 12 * 4.0


def test_where_something_is_unknown_for_a_while_the_setting_before_that_counts():
    """A person works at the box: what it did meanwhile is not known, and ends."""
    found = Readings().of(0.0).of(40.0, without=tuple(LOADS)).of(0.0, heater=100.0).end()
    assert ("heater", True, NOT_WITNESSED) in found


def test_what_stays_on_wanders_less_than_it_draws():
    assert wander_a(LOADS["heater"], 100.0, 12.0) < 0.5 < wander_a(LOADS["fan"], 100.0, 12.0) < 2.0
    assert wander_a(LOADS["heater"], 0.0, 12.0) == 0.0


def test_nothing_from_before_a_break_is_compared():
    readings = Readings().of(0.0)
    readings.witness.begin_anew()
    assert readings.of(0.0, heater=100.0).end() == []
