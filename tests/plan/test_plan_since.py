"""What changed between two specs, and that its part of the plan comes first."""

from pathlib import Path

import pytest

from bench.plan import make_plan
from bench.plan.since import Compared, changes
from bench.run.plan_file import load_plan, plan_text
from bench.spec import parse_spec

TEXT = (Path(__file__).parents[2] / "bench" / "data" / "kittiwake.yaml").read_text(encoding="utf-8")
OLD = parse_spec(TEXT).spec


def edited(*pairs):
    text = TEXT
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    return parse_spec(text).spec


EDITS = [
    (
        "part_on: all_on",
        "part_on: all_off",
        "group bilges: part_on all_off, was all_on",
        {"bilge_aft", "bilge_fwd"},
    ),
    ("after_s: 40", "after_s: 30", "circuit washdown: auto_off.after_s 30, was 40", {"washdown"}),
    (
        "hold_ms: 500, range_s: 3",
        "hold_ms: 600, range_s: 3",
        "circuit chart_table: dim.hold_ms 600, was 500",
        {"chart_table"},
    ),
    ("channel: 11,", "channel: 30,", "circuit horn: channel 30, was 11", {"horn"}),
    (
        "[[sidelights, allround_white], [allround_white], []]",
        "[[allround_white], [sidelights, allround_white], []]",
        "cycle navigation: positions [allround_white], [sidelights, allround_white], [none], was "
        "[sidelights, allround_white], [allround_white], [none]",
        {"sidelights", "allround_white"},
    ),
    ("deck_aft: 50, side", "deck_aft: 60, side", "scene boarding: presets.deck_aft 60, was 50", {"deck_aft"}),
    (
        "28: {function: search_light, lamp: any}",
        "28: {function: search_light, lamp: all}",
        "screen helm 28: lamp.shows all, was any",
        {"search_light"},
    ),
    (
        "presses: ignored, over_inhibit: passes",
        "presses: stored, over_inhibit: passes",
        "force bilge_aft by bilge_float: presses stored, was ignored",
        {"bilge_aft"},
    ),
    (
        "release: drop",
        "release: keep",
        "follow locker_light by washdown: release keep, was drop",
        {"locker_light", "washdown"},
    ),
    (
        "sources: [wiper_wash], release: keep, sees: output",
        "sources: [wiper_wash], release: keep, sees: command",
        "follow wiper_fwd by wiper_wash: sees command, was output",
        {"wiper_fwd", "wiper_wash"},
    ),
    ("bilge_float: {input: 1", "bilge_float: {input: 2", "sensor bilge_float: input 2, was 1", {"bilge_aft"}),
    ("outside: {helm: [9]}", "outside: {helm: [9, 13]}", "panel helm 13: must have no effect", set()),
]


@pytest.mark.parametrize(("old", "new", "said", "circuits"), EDITS, ids=[e[2][:30] for e in EDITS])
def test_each_difference_is_named_with_the_circuits_it_concerns(old, new, said, circuits):
    found = changes(OLD, edited((old, new)))
    assert [c.text for c in found] == [said]
    assert set(found[0].circuits) == circuits


def test_what_only_reads_differently_is_no_change():
    assert (
        changes(OLD, edited(("about: filament", "about: another word"), ("# Kittiwake", "# The boat"))) == ()
    )


def test_a_renamed_circuit_is_one_less_and_one_more():
    found = changes(OLD, edited(("usb_outlets", "usb_ports")))
    assert {c.text for c in found} >= {"circuit usb_outlets: removed", "circuit usb_ports: added"}
    assert {n for c in found for n in c.circuits} == {"usb_ports"}


def test_what_a_box_does_concerns_all_its_circuits():
    new = edited(("respond_ms: 100", "respond_ms: 120"))
    (found,) = changes(OLD, new)
    assert found.text == "box main: respond_ms 120, was 100"
    assert set(found.circuits) == set(new.circuits)


def test_a_changed_level_after_waking_up_puts_waking_up_first():
    new = edited(("electronics], level_pct: 100", "electronics], level_pct: 60"))
    compared = Compared("before", changes(OLD, new))
    plan = make_plan(new, supply=True, since=compared)
    assert next(s.kind for s in plan.steps if s.kind in ("supply", "sensor")) == "supply"
    assert plan.since.whole


def part(plan, word):
    return [s.at_ms for s in plan.steps for t in s.covers if t.startswith("transitions ") and word in t]


def test_the_part_for_the_changes_comes_first_and_its_end_is_told():
    new = edited(("part_on: all_on", "part_on: all_off"))
    plain = make_plan(new, supply=True)
    plan = make_plan(new, supply=True, since=Compared("before", changes(OLD, new)))
    assert {t for s in plan.steps for t in s.covers} == {t for s in plain.steps for t in s.covers}
    assert plan.since.other == "before"
    assert plan.since.circuits == ("bilge_aft", "bilge_fwd")
    assert plan.since.whole
    assert max(part(plan, "bilge_aft")) < plan.since.until_ms < plan.duration_ms / 2
    assert max(part(plan, "bilge_aft")) <= max(part(plain, "bilge_aft"))


def test_little_time_is_spent_on_the_changes_first(tmp_path):
    new = edited(("part_on: all_on", "part_on: all_off"))
    compared = Compared("before", changes(OLD, new))
    for seconds in (8, 14, 22):
        plan = make_plan(new, supply=True, seconds=seconds, since=compared)
        other = make_plan(new, supply=True, seconds=seconds)
        assert plan.duration_ms <= seconds * 1000
        assert len(set(part(plan, "bilge_aft"))) >= len(set(part(other, "bilge_aft")))
        path = tmp_path / f"{seconds}.json"
        path.write_text(plan_text(plan), encoding="utf-8")
        assert load_plan(path, new) == plan
    assert make_plan(new, supply=True, seconds=30, since=compared).since.whole


def test_where_nothing_changed_the_plan_is_as_ever():
    plan = make_plan(OLD, supply=True, since=Compared("demo", changes(OLD, OLD)))
    assert plan.steps == make_plan(OLD, supply=True).steps
    assert plan.since.changes == ()
