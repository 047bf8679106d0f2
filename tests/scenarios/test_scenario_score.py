"""The scoreboard, sampled: edits of the tables are found by the plan through the real judge."""

import json
from dataclasses import replace

import pytest

from bench.cli import main
from bench.cli.scoring import score_lines
from bench.core.errors import UsageError
from bench.lab.api import boat_tables, load_boat
from bench.lab.score import Score, Scored, score
from bench.plan import make_plan
from bench.plan.once import each_key_once
from bench.twin import Fault, boats
from bench.twin.edits import Together, double_edits
from bench.twin.fault_tables import TABLE_FAULTS
from bench.twin.hidden import cross_talk, history
from bench.twin.quirks import Quirks

pytestmark = pytest.mark.slow


def test_one_edit_of_each_kind_is_found_or_named(capsys):
    assert main(["plan", "demo", "--score", "--sample", "1", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["score"]
    assert len(found["kinds"]) >= 55
    edits = [row for row in found["not_found"] if row[0] in TABLE_FAULTS or row[0] == "swapped_outputs"]
    assert {kind for kind, *_ in edits} <= {"lamp_missing", "swapped_outputs", "loss_dim_flipped"}
    assert all(outcome in ("doubted", "alike", "left out") for _, _, outcome, _ in edits)
    assert {"chatter", "cross-talk, one circuit", "history, three keys before"} <= set(found["kinds"])
    assert found["worst_kind"] == "lamp_missing"


def test_a_plan_that_does_little_finds_little():
    boat = load_boat("demo")
    plan = make_plan(boat.spec, short=True)
    edits = [Fault("timer_long", "main 15/50"), Fault("key_dead", "screen helm 30")]
    found = score(boat, boat_tables("Kittiwake"), plan, edits, processes=1)
    assert [s.outcome for s in found.unfound] == ["missed", "missed"]
    assert found.unfound[0].why == "tap panel helm 7, 2 times wait 20 s: main 10 at 0 %, or at 100 %"
    assert found.unfound[1].why.startswith("press screen helm 30: main 8 at ")
    assert found.total["found"] == 0


def test_exchanged_wires_of_loads_that_draw_the_same_are_told_apart_from_what_was_missed():
    boat = load_boat("demo")
    plan = make_plan(boat.spec)
    edits = [Fault("swapped_outputs", "main 12/main 13"), Fault("swapped_outputs", "main 14/main 8")]
    found = score(boat, boat_tables("Kittiwake"), plan, edits, processes=2)
    assert dict(found.counts["swapped_outputs"]) == {"alike": 1, "found": 1}
    assert found.share("swapped_outputs") == 1.0


def test_what_no_input_can_tell_apart_is_listed_by_itself_and_counts_for_nothing():
    boat = load_boat("dunlin")
    edits = [Fault("lamp_wrong_key", f"panel nav {key}/screen nav 22") for key in (5, 3)]
    found = score(boat, boat_tables("Dunlin"), make_plan(boat.spec), edits, processes=1)
    assert dict(found.counts["lamp_wrong_key"]) == {"equal": 1, "found": 1}
    assert found.share("lamp_wrong_key") == 1.0
    told = found.document()
    assert told["not_found"] == []
    assert told["equal"] == [["lamp_wrong_key", "panel nav 5/screen nav 22", found.unfound[0].why]]
    lines = score_lines(found, 100)
    assert "1 equal to the box as it should be" in " ".join(lines)
    assert "equal, and how that is known:" in lines


def test_a_loss_that_the_plan_says_it_does_not_try_is_left_out():
    """The ramps of the demo's screen are over before it is lost."""
    boat, tables = load_boat("demo"), boat_tables("Kittiwake")
    plan = make_plan(boat.spec)
    assert plan.not_tested["dimmers held as their panel is lost"].endswith(": screen helm")
    edits = [Fault("loss_dim_flipped", "panel helm"), Fault("loss_dim_flipped", "screen helm")]
    found = score(boat, tables, plan, [*edits, Fault("loss_sensor_wrong", "input 1/active")], processes=1)
    assert [(s.fault, s.outcome) for s in found.unfound] == [(edits[1], "left out")]
    blind = replace(plan, not_tested={})
    assert [s.outcome for s in score(boat, tables, blind, edits[1:], processes=1).unfound] == ["missed"]


def test_a_circuit_that_another_keeps_off_is_woken_without_that_one_too():
    """Dunlin keeps what was on; its fridge is off while fresh water is wanted."""
    boat = load_boat("dunlin")
    edits = [Fault("wake_extra", "main 10")]
    found = score(boat, boat_tables("Dunlin"), make_plan(boat.spec, supply=True), edits, processes=1)
    assert found.total["found"] == 1


def test_an_edit_that_does_not_fit_is_broken_and_never_counted_as_found():
    boat = load_boat("demo")
    edits = [Fault("key_dead", "panel helm 77")]
    found = score(boat, boat_tables("Kittiwake"), make_plan(boat.spec, short=True), edits, processes=1)
    assert found.unfound[0].outcome == "broken"
    assert "panel helm 77" in found.unfound[0].why


def test_the_worst_kind_is_named_whatever_the_total_says():
    found = Score()
    for n in range(99):
        found.add(Scored(Fault("keys_swapped", str(n)), "found"))
    found.add(Scored(Fault("timer_long", "x"), "missed"))
    assert found.worst == "timer_long"
    assert found.share("timer_long") == 0.0


def test_people_are_told_the_worst_kind_first():
    found = Score()
    outcomes = {"key_dead": "found", "lamp_missing": "doubted", "loss_dim_flipped": "left out"}
    for kind, outcome in outcomes.items():
        found.add(Scored(Fault(kind, "x"), outcome, "what would tell"))
    lines = score_lines(found, 100)
    assert lines[0].startswith("worst kind: lamp_missing, 0% found; of all 3 edits 1 found")
    assert [line.split()[0] for line in lines[4:7]] == ["lamp_missing", "loss_dim_flipped", "key_dead"]
    assert "left out, as the plan says, and what would tell:" in lines


def test_two_edits_at_once_do_not_hide_each_other():
    boat, tables = load_boat("demo"), boat_tables("Kittiwake")
    edits = list(double_edits(tables, 8))
    assert len({e.argument for e in edits}) == 8
    assert all(e.faults[0].kind != e.faults[1].kind for e in edits)
    found = score(boat, tables, make_plan(boat.spec, supply=True), edits, processes=2)
    assert dict(found.counts["two edits"]) == {"found": 8}


def test_of_two_edits_that_undo_each_other_nothing_is_found():
    boat, tables = load_boat("demo"), boat_tables("Kittiwake")
    back = Fault("steps_swapped", "panel helm 1/1/2")
    found = score(boat, tables, make_plan(boat.spec), [Together((back, back))], processes=1)
    assert [(s.outcome, s.why) for s in found.unfound] == [("equal", "the same tables")]
    assert found.unfound[0].fault.argument.startswith("steps_swapped panel helm 1/1/2 and ")


def test_a_key_that_fails_while_another_circuit_is_on_is_found_where_the_plan_presses_it_then():
    boat, tables = load_boat("dunlin"), boat_tables("Dunlin")
    edits = [*cross_talk(tables, 1, 6), *history(tables, 1, 6)]
    full = score(boat, tables, make_plan(boat.spec), edits, processes=2)
    once = score(boat, tables, each_key_once(boat.spec), edits, processes=2)
    assert set(full.counts) == {"cross-talk, one circuit", "history, one key before"}
    assert full.total["found"] > once.total["found"]
    assert all(": main " in s.why or "lamp of" in s.why for s in full.unfound)  # what would tell


def test_tables_of_a_boat_of_ones_own_are_scored(tmp_path, capsys):
    own = tmp_path / "box.toml"
    assert main(["plan", "demo", "--score", "--tables", str(own)]) == 2
    assert "box.toml" in capsys.readouterr().err
    assert main(["plan", "demo", "--tables", str(own)]) == 2
    assert "--tables is for --score" in capsys.readouterr().err


UNFIT = {
    "key_dead:screen nav 28": "fresh_water: expected on, seen off",
    "lamp_missing:panel nav 2": "panel nav 2 is inconclusive, because the box reports its lamp as not "
    "available",
}


@pytest.mark.parametrize(("edit", "why"), UNFIT.items())
def test_a_virtual_box_that_does_not_pass_as_it_is_is_not_scored(edit, why):
    boat, tables = load_boat("dunlin"), boat_tables("Dunlin")
    wrong = Fault.parse(edit).apply(tables, Quirks())
    with pytest.raises(UsageError) as refused:
        score(boat, wrong, make_plan(boat.spec), [Fault("key_dead", "screen nav 29")], processes=1)
    said = f"the virtual box {tables.name} does not pass as it is: {why} - mend its tables"
    assert said in str(refused.value)


def test_tables_that_do_not_fit_the_spec_end_the_command_with_the_reason(tmp_path, capsys):
    own = tmp_path / "box.toml"
    text = boats()["dunlin"].read_text(encoding="utf-8")
    own.write_text(text.replace("off_after_ms = 12000", "off_after_ms = 9000"), encoding="utf-8")
    assert own.read_text(encoding="utf-8") != text
    assert main(["plan", "dunlin", "--score", "--sample", "1", "--tables", str(own)]) == 2
    said = capsys.readouterr()
    assert not said.out
    assert (
        "box.toml: error: the virtual box dunlin does not pass as it is: shower_drain: expected" in said.err
    )
