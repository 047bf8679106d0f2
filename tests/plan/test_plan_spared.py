"""What keys that only switch off must leave alone: what is counted, that plans show all of it, and that it
is found where they do not."""

import pytest

from bench.core.plan import Step
from bench.lab.api import boat_tables, load_boat, run_virtual
from bench.oracle import Oracle
from bench.plan import make_plan
from bench.plan.coverage import recount
from bench.plan.pace import Pace
from bench.plan.sim import Sim
from bench.run.api import Wishes
from bench.twin import Fault

BOATS = ("demo", "dunlin", "fulmar", "turnstone", "greenshank", "dotterel")


@pytest.fixture(scope="module")
def dunlin():
    return load_boat("dunlin")


def spared(spec, *done):
    """What `(at_ms, key, for_ms)` earn of all_off, in this order."""
    steps = [Step(at_ms, "press", key, 1) for at_ms, key, _ in done]
    steps += [Step(at_ms + for_ms, "release", key, 0) for at_ms, key, for_ms in done]
    steps.sort(key=lambda s: s.at_ms)
    earned = recount(spec, Sim(Oracle(spec), spec), steps, Pace.of(spec), steps[-1].at_ms + 1000.0)
    return [tag for tags in earned for tag in tags if tag.startswith("spares ")]


INSTRUMENTS, FRESH_WATER, ALL_OFF, HORN = "screen nav 30", "screen nav 28", "panel nav 6", "panel nav 4"


def test_a_circuit_that_stays_on_is_counted(dunlin):
    found = spared(dunlin.spec, (0.0, INSTRUMENTS, 120.0), (600.0, ALL_OFF, 120.0))
    assert found == ["spares all_off instruments"]


def test_what_has_just_come_on_is_not_counted(dunlin):
    assert spared(dunlin.spec, (0.0, INSTRUMENTS, 120.0), (80.0, ALL_OFF, 120.0)) == []


def test_what_goes_off_again_too_soon_to_be_seen_is_not_counted(dunlin):
    again = ((0.0, INSTRUMENTS, 120.0), (600.0, ALL_OFF, 120.0))
    assert spared(dunlin.spec, *again, (800.0, INSTRUMENTS, 120.0)) == []
    assert spared(dunlin.spec, *again, (900.0, INSTRUMENTS, 120.0)) == ["spares all_off instruments"]


def test_what_the_key_switches_off_is_not_counted(dunlin):
    assert spared(dunlin.spec, (0.0, FRESH_WATER, 120.0), (600.0, ALL_OFF, 120.0)) == []


def test_a_horn_counts_while_its_key_is_held_for_long_enough(dunlin):
    assert spared(dunlin.spec, (0.0, HORN, 550.0), (150.0, ALL_OFF, 120.0)) == ["spares all_off horn"]
    assert spared(dunlin.spec, (0.0, HORN, 300.0), (150.0, ALL_OFF, 120.0)) == []


@pytest.mark.parametrize("name", BOATS)
def test_every_circuit_is_on_once_at_each_key_that_must_leave_it_alone(name):
    spec = load_boat(name).spec
    plan = make_plan(spec)
    tags = {t for s in plan.steps for t in s.covers}
    off = [f for f in spec.functions.values() if f.kind == "off"]
    assert off
    for f in off:
        seen = {c for c in spec.circuits if f"spares {f.name} {c}" in tags}
        assert seen == set(spec.circuits) - set(f.circuits)
    assert not [key for key in plan.not_tested if "leaving alone" in key]


def test_what_a_short_plan_does_not_show_of_it_is_named(dunlin):
    short = make_plan(dunlin.spec, short=True)
    named = next(key for key in short.not_tested if key.startswith("all_off leaving alone "))
    assert "horn" in named
    assert short.not_tested[named] == "never on in this plan as it is pressed"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "key", "channels"),
    [
        ("dunlin", "panel nav 6", ("main 12", "main 1", "main 10")),  # horn, lights in a cycle, inhibited
        ("turnstone", "panel helm 12", ("fore 11", "aft 21", "aft 15")),  # two horns, and one on a timer
    ],
)
def test_a_key_that_takes_a_stranger_with_it_is_found(name, key, channels):
    boat = load_boat(name)
    plan = make_plan(boat.spec, supply=True)
    for channel in channels:
        faults = (Fault("member_extra", f"{key}/{channel}"),)
        wishes = Wishes(plan=plan, until_first=True)
        tables = boat_tables(boat.spec.boat.name)
        verdict = run_virtual(boat=boat, tables=tables, faults=faults, wishes=wishes).verdict
        assert verdict.outcome == "fail", channel


def test_a_plan_says_what_each_key_spares_in_one_go(dunlin):
    (line,) = [c for c in make_plan(dunlin.spec).covered if c.startswith("spares: ")]
    assert line.startswith("spares: all_off ")
    assert sorted(line.removeprefix("spares: all_off ").split(", ")) == [
        "allround_white", "bilge", "fridge", "horn", "instruments", "sidelights",
    ]  # fmt: skip
    cut = make_plan(dunlin.spec, seconds=20)
    (named,) = [u for u in cut.uncovered if u.startswith("what keys that only switch off leave alone: ")]
    assert named.count("all_off") == 1
    assert "horn" in named
