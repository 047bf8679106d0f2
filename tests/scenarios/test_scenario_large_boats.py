"""The boats of 48 channels: as their pages say, planned, healthy, and each with one fault."""

import re
from pathlib import Path

import pytest

from bench.cli.boats import BOATS, DEMONSTRATION, LARGE
from bench.cli.loading import load_boat
from bench.cli.running import Wish, run_and_judge
from bench.core.verdict import PASS
from bench.evidence.faults import cases, reached, what_is_wrong
from bench.oracle import Oracle
from bench.plan import make_plan
from bench.rules import run_rules
from bench.rules.slow_bus import check_bus

PAGES = Path(__file__).resolve().parents[2] / "docs" / "boats"
CASES = list(cases(LARGE))
# one fault each, of three different kinds; `make evidence` runs all of them
ONE_EACH = {
    "turnstone": "timer_survives_off",
    "greenshank": "follow_end_flipped",
    "dotterel": "member_missing",
}


def counted(boat):
    """Channels, controls and clusters of a boat's spec."""
    spec = load_boat(boat).spec
    return len(spec.circuits), len(spec.controls), len(Oracle(spec).clusters)


@pytest.mark.parametrize("boat", LARGE)
def test_the_page_states_the_clusters_that_the_spec_has(boat):
    text = (PAGES / f"{boat}.md").read_text(encoding="utf-8")
    stated = re.search(r"\*\*(\d+) channels, (\d+) controls, (\d+) clusters\*\*", text)
    assert tuple(map(int, stated.groups())) == counted(boat)


@pytest.mark.slow
def test_the_index_of_the_boats_states_the_same():
    text = (PAGES / "README.md").read_text(encoding="utf-8")
    for word, name in BOATS.items():
        row = re.search(rf"\({name}\.md\)[^|]*\| (\d+) \| (\d+) \| (\d+) \|", text)
        assert tuple(map(int, row.groups())) == counted(word)


@pytest.mark.parametrize("boat", LARGE)
def test_check_finds_nothing_not_even_on_the_bus(boat):
    loaded = load_boat(boat)
    found = [*run_rules(loaded.spec), *check_bus(loaded.spec, loaded.definitions.messages())]
    assert [c.render() for c in found] == []


@pytest.mark.slow
@pytest.mark.parametrize("boat", LARGE)
def test_the_plan_works_every_control_and_watches_every_current(boat):
    spec = load_boat(boat).spec
    plan = make_plan(spec, supply=True)
    assert {s.name for s in plan.steps if s.kind == "press"} == {*spec.controls, *spec.outside}
    assert [k for k in plan.not_tested if k.startswith("current of ")] == []


@pytest.mark.slow
def test_a_group_of_twelve_is_tried_with_each_member_alone_on():
    spec = load_boat("dotterel").spec
    covered = {tag for s in make_plan(spec).steps for tag in s.covers}
    members = spec.functions["floods"].members
    assert len(members) == 12
    assert {f"group floods part on {m}" for m in members} <= covered


def test_each_large_boat_has_at_least_six_kinds_of_fault_written_down():
    for boat in LARGE:
        assert len({case.kind for case in CASES if case.boat == boat}) >= 6
    assert not set(LARGE) & set(DEMONSTRATION)


@pytest.mark.slow
@pytest.mark.parametrize("boat", LARGE)
def test_a_healthy_large_boat_passes(boat, tmp_path):
    verdict = run_and_judge(Wish(boat, "twin", tmp_path / "session"), write=False).verdict
    assert (verdict.outcome, verdict.discrepancies, verdict.doubts) == (PASS, (), ())
    assert verdict.judged_samples > 50_000


@pytest.mark.slow
@pytest.mark.parametrize("boat", LARGE)
def test_a_fault_of_a_large_boat_ends_in_its_expected_verdict(boat, tmp_path):
    case = next(c for c in CASES if (c.boat, c.kind) == (boat, ONE_EACH[boat]))
    verdict = reached(case, tmp_path / "session")
    assert what_is_wrong(case, verdict, tmp_path / "session") == ""
