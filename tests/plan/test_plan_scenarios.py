# ruff: noqa: E501 - whole sentences are compared
"""Scenarios in a plan: held to the spec, played first and alone, and judged like all else."""

from itertools import pairwise

import pytest
from strokes import apart

from bench.core.errors import SpecError
from bench.data import boat_path
from bench.definitions import load_definitions
from bench.lab.api import load_boat, run_virtual
from bench.plan import check_scenarios, make_plan
from bench.run.api import Boat, Wishes
from bench.spec import parse_spec
from bench.twin import Fault

TEXTS = {n: boat_path(n).read_text(encoding="utf-8") for n in ("dunlin", "kittiwake", "fulmar")}
BARE = {n: t.partition("\nscenarios:")[0] for n, t in TEXTS.items()}
FIRST = BARE["dunlin"].count("\n") + 4  # line of the first step


def spec_of(*rows, boat="dunlin"):
    steps = "".join(f"    - {{{row}}}\n" for row in rows)
    return parse_spec(f"{BARE[boat]}\nscenarios:\n  trial:\n{steps}", "boat.yaml").spec


def complaints(*rows, boat="dunlin"):
    return [c.render() for c in check_scenarios(spec_of(*rows, boat=boat))]


TWO = "they disagree: mend the scenario, or the rest of the spec"
CONTRADICTIONS = {
    "expected off": (
        ["press: screen nav 24", "expect: {berth: off}"],
        f"it expects berth off, and the spec promises on - expected berth: on - {TWO}",
    ),
    "expected on": (
        ["press: panel nav 7", "expect: {horn: on}"],
        f"it expects horn on, and the spec promises off - expected horn: off - {TWO}",
    ),
    "a rule forgotten": (
        ["press: screen nav 28", "press: screen nav 29", "expect: {fridge: on}"],
        f"it expects fridge on, and the spec promises off - expected fridge: off - {TWO}",
    ),
    "another level": (
        ["press: panel nav 3", "expect: {saloon_port: 30}"],
        f"it expects saloon_port at 30 %, and the spec promises on at 20 % - expected saloon_port: on, or saloon_port: 20 - {TWO}",
    ),
    "a level that is remembered from before": (
        ["press: screen nav 22", "expect: {saloon_port: 100}"],
        f"it expects saloon_port at 100 %, and the spec promises a level between 8 and 100 % - expected saloon_port: on, or from_pct: 8 and to_pct: 100 - {TWO}; what a dimmer remembers from before the scenario is not known",
    ),
    "a level within a tolerance": (
        ["press: panel nav 3", "hold: screen nav 22", "wait_s: 2", "expect: {saloon_port: {from_pct: 8, to_pct: 20}}"],
        f"it expects saloon_port between 8 and 20 %, and the spec promises a level between 22 and 29 % - expected saloon_port: on, or from_pct: 22 and to_pct: 29 - {TWO}",
    ),
    "while a timer may be ending": (
        ["press: screen nav 27", "wait_s: 12", "expect: {shower_drain: on}"],
        f"it expects shower_drain on, and the spec promises neither on nor off at that time - expected it when no timer may be ending - {TWO}",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", CONTRADICTIONS)
def test_an_expectation_that_the_spec_does_not_promise_is_an_error(case):
    rows, said = CONTRADICTIONS[case]
    (found,) = complaints(*rows)
    line = FIRST + len(rows) - 1
    assert found == f'boat.yaml:{line}:17: error: scenario "trial": {said}'


def test_every_contradiction_is_told_at_once():
    assert (
        len(complaints("press: screen nav 24", "expect: {berth: off, horn: on}", "expect: {berth: 40}")) == 3
    )


NOT_AGREED = {
    "a press when a timer may end": (
        ["press: screen nav 27", "wait_s: 11.9", "press: screen nav 27"],
        '2:7: error: scenario "trial": this comes 11.9 s after the scenario\'s begin, about when a timer of shower_drain may end: what it does is not agreed - expected it before 11.2 s or after 12.6 s',
    ),
    "neither short nor held": (
        ["press: screen nav 22", "hold: screen nav 22", "wait_s: 0.4", "release: screen nav 22"],
        '3:7: error: scenario "trial": screen nav 22 is down for 0.4 s, and dimming begins at 0.4 s - expected at most 0.25 s or at least 0.55 s - between these it may count as a short press or as held',
    ),
    "too short a wait": (
        ["press: screen nav 24", "wait_s: 0.1", "press: screen nav 24"],
        '1:8: error: scenario "trial": a wait of 0.1 s is too short to see what was done before it - expected at least 0.55 s - delete it: as long as needed is waited anyway',
    ),
}


@pytest.mark.parametrize("case", NOT_AGREED)
def test_a_step_of_no_agreed_outcome_is_an_error(case):
    rows, said = NOT_AGREED[case]
    line, _, rest = said.partition(":")
    assert complaints(*rows) == [f"boat.yaml:{FIRST + int(line)}:{rest}"]


def test_what_nothing_switches_off_again_is_an_error():
    text = BARE["dunlin"].replace("    29: {function: fridge, lamp: any}\n", "")
    text += "\nscenarios: {trial: [{press: panel nav 7}]}\n"
    (found,) = check_scenarios(parse_spec(text).spec)
    assert found.text == (
        'scenario "trial": it leaves fridge on, and no key that the plan knows of brings that back'
    )


def test_a_plan_is_refused_while_scenario_and_spec_disagree():
    with pytest.raises(SpecError, match="it expects berth off"):
        make_plan(spec_of("press: screen nav 24", "expect: {berth: off}"))


@pytest.mark.parametrize("boat", BARE)
def test_scenarios_of_the_shipped_boats_agree_with_them(boat):
    assert check_scenarios(parse_spec(TEXTS[boat]).spec) == []


@pytest.fixture(scope="module")
def dunlin():
    return make_plan(load_boat("dunlin").spec, supply=True)


def test_scenarios_come_first_and_nothing_else_is_done_in_between(dunlin):
    ours = [i for i, s in enumerate(dunlin.steps) if any(t.startswith("scenario ") for t in s.covers)]
    first_of_others = next(
        i for i, s in enumerate(dunlin.steps) if any(t.startswith("transitions ") for t in s.covers)
    )
    assert ours[0] == 0
    assert ours[-1] < first_of_others
    for step in dunlin.steps[: ours[-1] + 1]:
        assert "scenario " in step.about or step.kind == "release", step
    assert "scenario: getting_under_way; water_aboard" in dunlin.covered


def test_what_scenarios_show_counts_as_covered(dunlin):
    horn = next(s for s in dunlin.steps if s.about == "scenario getting_under_way: panel nav 4 is held")
    assert {"control panel nav 4 on", "current horn at 100 %"} <= set(horn.covers)


def test_the_tours_are_as_long_as_without_scenarios(dunlin):
    assert make_plan(parse_spec(BARE["dunlin"]).spec, supply=True).toured == dunlin.toured


def test_a_scenario_that_leaves_dimmers_and_counts_elsewhere_shortens_no_tour():
    rows = (
        "press: screen nav 22",
        "hold: screen nav 22",
        "wait_s: 2",
        "release: screen nav 22",
        "press: panel nav 1",
    )
    plan = make_plan(spec_of(*rows), supply=True)
    bare = make_plan(parse_spec(BARE["dunlin"]).spec, supply=True)
    assert [t.done for t in plan.toured] == [t.done for t in bare.toured]


def test_a_count_that_is_forgotten_after_a_time_is_not_waited_for():
    plan = make_plan(spec_of("press: panel wheel 4", "expect: {wiper_centre: on}", boat="fulmar"))
    toured = next(s for s in plan.steps if any(t.startswith("transitions ") for t in s.covers))
    assert toured.at_ms < 5_000


def test_a_wait_counts_from_what_was_done_last():
    plan = make_plan(
        spec_of("press: screen nav 27", "expect: {shower_drain: on}", "wait_s: 13", "press: screen nav 25")
    )
    at = [s.at_ms for s in plan.steps if s.kind == "press"]
    assert at[1] - at[0] == pytest.approx(13_550)
    plan = make_plan(spec_of("press: screen nav 27", "wait_s: 3", "press: screen nav 25"))
    at = [s.at_ms for s in plan.steps if s.kind == "press"]
    assert at[1] - at[0] == pytest.approx(3_000)


def test_presses_keep_their_distance_whatever_the_scenario(dunlin):
    assert all(b - a >= 60 for a, b in pairwise(apart(dunlin)))


def test_a_scenario_that_needs_the_supply_is_named_where_the_bench_cannot_switch_it():
    spec = spec_of("press: screen nav 28", "wake: supply", "expect: {fresh_water: on, cockpit: 60}")
    plan = make_plan(spec)
    assert plan.not_tested["scenario trial"] == "it takes the supply away, which the bench cannot switch"
    assert not any("scenario" in s.about for s in plan.steps)
    assert "scenario: trial" in make_plan(spec, supply=True).covered


def test_a_plan_for_some_circuits_keeps_scenarios_that_touch_them():
    spec = load_boat("dunlin").spec
    assert "scenario: water_aboard" in make_plan(spec, only=["bilge"]).covered
    assert "scenario: getting_under_way" in make_plan(spec, only=["horn"]).covered
    bare = spec_of("press: panel nav 7", "expect: {fridge: on}")
    assert not any(c.startswith("scenario: ") for c in make_plan(bare, only=["horn"]).covered)


def test_the_short_plan_leaves_scenarios_out_and_says_so():
    plan = make_plan(load_boat("dunlin").spec, short=True)
    assert plan.not_tested["scenario"] == "left out of the short plan: getting_under_way; water_aboard"


def run(spec, *faults):
    boat = Boat(spec, load_definitions(spec, boat_path("dunlin").parent))
    wishes = Wishes(until_first=True)
    return run_virtual(boat=boat, faults=tuple(Fault.parse(f) for f in faults), wishes=wishes).verdict


LONG = (
    "press: panel nav 2", "hold: screen nav 22", "wait_s: 2", "release: screen nav 22", "wait_s: 1",
    "expect: {saloon_port: on, saloon_stbd: on}", "press: screen nav 27", "wait_s: 14",
    "expect: {shower_drain: off, berth: on}", "wake: supply", "expect: {cockpit: 60, berth: on}",
)  # fmt: skip


def test_a_healthy_box_passes_with_scenarios():
    assert run(load_boat("dunlin").spec).outcome == "pass"
    assert run(spec_of(*LONG)).outcome == "pass"


@pytest.mark.parametrize(
    ("fault", "circuit", "cause"),
    [
        ("key_dead:panel nav 4", "horn", "panel nav 4 pressed in scenario getting_under_way"),
        ("key_dead:screen nav 28", "fresh_water", "screen nav 28 pressed in scenario water_aboard"),
    ],
)
def test_a_faulty_box_fails_in_its_scenario(fault, circuit, cause):
    verdict = run(load_boat("dunlin").spec, fault)
    assert verdict.outcome == "fail"
    first = verdict.discrepancies[0].root
    assert (first.subject, first.cause) == (circuit, cause)
