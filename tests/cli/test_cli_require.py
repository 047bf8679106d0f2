"""--require: coverage below what was asked for is never a pass."""

import pytest

from bench.cli.require import Requirement, parse_require, with_requirement
from bench.core.errors import UsageError
from bench.core.verdict import FAIL, INCONCLUSIVE, PASS, Doubt, Verdict

CIRCUITS = ("horn", "deck", "bilge", "stern")
CONTROLS = ("panel helm 1",)


def test_a_share_and_names_are_read_from_one_list():
    assert parse_require("75%, horn,panel helm 1", CIRCUITS, CONTROLS) == Requirement(
        75.0, ("horn", "panel helm 1")
    )


@pytest.mark.parametrize("text", ["101%", "-1%", "much%", "nan%"])
def test_a_share_that_is_none_is_refused(text):
    with pytest.raises(UsageError, match="is no share - expected 0% to 100%"):
        parse_require(text, CIRCUITS, CONTROLS)


def test_a_misspelt_name_is_refused_with_the_nearest_right_one():
    with pytest.raises(UsageError, match=r"--require hron: .* - did you mean horn\?"):
        parse_require("hron", CIRCUITS, CONTROLS)


def test_a_pass_that_covers_too_little_becomes_inconclusive_and_says_why():
    verdict = Verdict(PASS, tested={"horn": "on", "deck": "on"})
    made = with_requirement(verdict, Requirement(75), CIRCUITS, 5)
    assert made.outcome == INCONCLUSIVE
    assert made.doubts == (Doubt(5, "", "2 of 4 circuits were tested, 75 % are required"),)
    assert with_requirement(verdict, Requirement(50), CIRCUITS, 5) is verdict


def test_a_circuit_in_doubt_does_not_count_as_tested():
    verdict = Verdict(PASS, tested={"horn": "on"}, doubts=(Doubt(0, "horn", "a frame was dropped"),))
    assert with_requirement(verdict, Requirement(0, ("horn",)), CIRCUITS, 0).outcome == INCONCLUSIVE


def test_a_fail_stays_a_fail():
    assert with_requirement(Verdict(FAIL), Requirement(100), CIRCUITS, 0).outcome == FAIL


def test_a_circuit_tested_in_part_does_not_count_as_tested():
    verdict = Verdict(PASS, tested={"horn": "seen off"}, not_tested={"horn": "not seen both off and on"})
    assert with_requirement(verdict, Requirement(25), CIRCUITS, 0).outcome == INCONCLUSIVE
    assert with_requirement(verdict, Requirement(0, ("horn",)), CIRCUITS, 0).outcome == INCONCLUSIVE
