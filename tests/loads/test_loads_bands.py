"""Current bands against figures worked out by hand, and the decision rule against its source."""

import pytest

from bench.loads import LOAD_KINDS, Band, Load, band


def test_a_resistive_load_at_full_output_by_hand():
    # 2.0 A at 12 V, tolerance 12 %, base 0.10 A: limits 2*0.88-0.10 = 1.66 and 2*1.12+0.10 = 2.34 A.
    # U = 3 % of the limit + 0.10 A: 0.1498 and 0.1702 A.
    got = band(Load("resistive", 2.0, 12.0), (100, 100), (12, 12))
    assert got == pytest.approx((1.5102, 1.8098, 2.1698, 2.5102))


def test_half_output_draws_half_the_mean_current():
    got = band(Load("resistive", 4.0, 12.0), (50, 50), (12, 12))
    assert got.ok_low < 2.0 < got.ok_high


def test_the_band_moves_with_the_supply_as_the_kind_of_load_does():
    high = band(Load("resistive", 2.0, 12.0), (100, 100), (14.4, 14.4))
    assert high.decide(2.4) == "right"
    driver = band(Load("led", 2.0, 12.0), (100, 100), (14.4, 14.4))
    assert driver.decide(2.0 / 1.2) == "right", "a constant-power driver draws less at more volts"


def test_an_output_that_is_off_may_leak_a_little_but_not_feed_a_load():
    got = band(Load("led", 0.4, 12.0), (0, 0), (12, 12))
    assert got.decide(0.0) == "right"
    assert got.decide(0.4) == "wrong"


@pytest.mark.parametrize("kind", LOAD_KINDS)
def test_every_kind_accepts_its_rating_and_refuses_nothing_at_all(kind):
    got = band(Load(kind, 3.0, 12.0), (100, 100), (12, 12))
    assert got.decide(3.0) == "right"
    assert got.decide(0.0) == "wrong"
    assert got.decide(9.0) == "wrong"


def test_decision_rule_of_iso_14253_1():
    """ISO 14253-1:2017, 5.2 to 5.4 (facts.md CNF-11): conforming inside the limits reduced by U,
    not conforming outside the limits extended by U, neither between."""
    lsl, usl, u = 10.0, 20.0, 1.0
    rule = Band(lsl - u, lsl + u, usl - u, usl + u)
    verdicts = {y: rule.decide(y) for y in (8.9, 9.5, 10.5, 11.0, 15.0, 19.0, 19.5, 20.5, 21.1)}
    assert verdicts == {
        8.9: "wrong",
        9.5: "undecided",
        10.5: "undecided",
        11.0: "right",
        15.0: "right",
        19.0: "right",
        19.5: "undecided",
        20.5: "undecided",
        21.1: "wrong",
    }
