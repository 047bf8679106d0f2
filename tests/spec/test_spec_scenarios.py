# ruff: noqa: E501 - whole sentences are compared
"""Scenarios as they are written: what they hold, what is refused, and how they read."""

import pytest

from bench.core.errors import SpecError
from bench.data import boat_path
from bench.spec import load_spec, parse_spec, promises
from bench.spec.model import ScenarioStep, Shown

TEXT = boat_path("dunlin").read_text(encoding="utf-8").partition("\nscenarios:")[0]
FIRST = TEXT.count("\n") + 4  # line of the first step


def written(*rows):
    return TEXT + "\nscenarios:\n  trial:\n" + "".join(f"    - {{{row}}}\n" for row in rows)


def complaints(*rows):
    with pytest.raises(SpecError) as caught:
        parse_spec(written(*rows), "boat.yaml")
    return [c.render() for c in caught.value.complaints]


def test_each_kind_of_step_is_read_with_its_words():
    rows = (
        "press: panel nav 1", "hold: panel nav 4", "wait_s: 1.5", "release: panel nav 4",
        "sensor: float, now: active", "wake: supply",
        "expect: {berth: on, horn: off, cockpit: 60, saloon_port: {from_pct: 8, to_pct: 100}}",
    )  # fmt: skip
    assert parse_spec(written(*rows)).spec.scenarios["trial"] == (
        ScenarioStep("press", control="panel nav 1"),
        ScenarioStep("hold", control="panel nav 4"),
        ScenarioStep("wait_s", wait_s=1.5),
        ScenarioStep("release", control="panel nav 4"),
        ScenarioStep("sensor", sensor="float", now="active"),
        ScenarioStep("wake", by="supply"),
        ScenarioStep(
            "expect",
            shown={
                "berth": Shown("on"),
                "horn": Shown("off"),
                "cockpit": Shown("level", 60, 60),
                "saloon_port": Shown("level", 8, 100),
            },
        ),
    )


CASES = {
    "no such key": (
        ["press: screen nav 99"],
        '8: error: there is no control "screen nav 99" - did you mean "screen nav 29"?',
    ),
    "no key at all": (
        ["press: horn_key"],
        '15: error: "horn_key" cannot stand here - expected a key by panel or screen and number: panel NAME NUMBER',
    ),
    "no such sensor": (
        ["sensor: flot, now: active"],
        '8: error: there is no sensor "flot" - expected float - did you mean "float"?',
    ),
    "no such circuit": (
        ["expect: {bert: on}"],
        '17: error: there is no circuit "bert" - expected allround_white, berth, bilge, cockpit, fresh_water, fridge, horn, instruments, saloon_port, saloon_stbd, shower_drain or sidelights - did you mean "berth"?',
    ),
    "neither on nor off": (
        ["expect: {berth: onn}"],
        '24: error: "onn" is not a word known here - expected on, off, a level from 0 to 100 in percent, or a table of from_pct and to_pct - did you mean "on"?',
    ),
    "more than all": (
        ["expect: {berth: 101}"],
        "24: error: 101 is out of range - expected a number from 0 to 100 in percent",
    ),
    "half a range": (
        ["expect: {berth: {from_pct: 5}}"],
        '24: error: levels says no "to_pct" - expected to_pct: number from 0 to 100 in percent',
    ),
    "a range turned round": (
        ["expect: {berth: {from_pct: 50, to_pct: 5}}"],
        "17: error: from 50 % to 5 % is no range - expected the lower level as from_pct",
    ),
    "a word of another sensor": (
        ["sensor: float, now: on"],
        '28: error: "on" is not a word known here - expected active or rest',
    ),
    "no wait": (
        ["wait_s: 0"],
        "16: error: 0 is out of range - expected a number above 0 and at most 600 in s",
    ),
    "unknown kind": (
        ["push: panel nav 1"],
        "7: error: a step says no kind - expected exactly one of press, hold, release, sensor, wait_s, wake or expect",
    ),
    "not held": (
        ["release: panel nav 4"],
        "8: error: panel nav 4 is not held - expected hold: panel nav 4 before it",
    ),
    "nobody wakes so": (["wake: message"], "8: error: no box wakes by message - expected wake: supply"),
}


@pytest.mark.parametrize("case", CASES)
def test_a_wrong_step_is_refused_with_its_place(case):
    rows, said = CASES[case]
    assert complaints(*rows) == [f"boat.yaml:{FIRST}:{said}"]


def test_a_key_that_is_down_is_neither_pressed_nor_held_again_nor_held_through_wake_up():
    assert complaints("hold: panel nav 5", "press: panel nav 5", "wake: supply") == [
        f"boat.yaml:{FIRST + 1}:8: error: panel nav 5 is held since step 1 - expected release: panel nav 5 before it",
        f"boat.yaml:{FIRST + 2}:8: error: panel nav 5 is held while the boxes wake up, and what it then does is not agreed - expected release: panel nav 5 before it",
    ]


def test_a_step_that_could_not_be_read_makes_no_release_wrong():
    assert len(complaints("hold: panel nav", "release: panel nav 4")) == 1


def test_scenarios_that_would_take_too_long_are_refused():
    found = complaints(*["wait_s: 600"] * 3)
    assert found == [
        f"boat.yaml:{FIRST - 1}:3: error: with this one the scenarios take more than 1800 s - expected at most 1800 s in all - shorten the waits"
    ]


def test_a_scenario_without_a_step_is_refused():
    with pytest.raises(SpecError, match="the scenario has no step"):
        parse_spec(TEXT + "\nscenarios: {trial: []}\n")


def test_a_key_outside_may_be_pressed_too():
    text = boat_path("kittiwake").read_text(encoding="utf-8")
    spec = parse_spec(text + "\nscenarios: {trial: [{press: panel helm 9}]}\n").spec
    assert spec.outside == ("panel helm 9",)


def test_a_scenario_reads_as_a_promise():
    assert promises(load_spec(boat_path("dunlin")).spec)[-1] == (
        "Scenario water_aboard, from all off: sensor float becomes active; screen nav 28 is pressed; now bilge is on, "
        "fresh_water is on and berth is on; screen nav 29 is pressed; now fridge is off; panel nav 6 is pressed; now "
        "bilge is on, fresh_water is off and berth is off."
    )


def test_levels_and_waits_read_as_such():
    rows = (
        "wake: supply", "wait_s: 2", "sensor: float, now: rest",
        "expect: {cockpit: 60, saloon_port: {from_pct: 8, to_pct: 9}}",
    )  # fmt: skip
    assert promises(parse_spec(written(*rows)).spec)[-1] == (
        "Scenario trial, from all off: all boxes lose their supply and get it back; 2 s pass; sensor float comes to "
        "rest; now cockpit is at 60 % and saloon_port is between 8 and 9 %."
    )
