"""A verdict reached live and the one reached from the recording alone agree to the letter."""

import json

import pytest

from bench.cli import main
from bench.twin import fault_kinds

pytestmark = pytest.mark.slow

BOATS = {"demo": "kittiwake", "dunlin": "dunlin", "fulmar": "fulmar"}
PROFILE = """hardstand_bench: 1
adapter: twin
clock: device
echo: none
confirms: true
jitter_ms: 2
circuits: {horn: {load: none}, search_light: {load: {ohm: 1.5}}}
"""
FAULTS = [  # of every place: tables, firmware, wiring, sensor, bus
    ("demo", "dim_rate"),
    ("demo", "restarts"),
    ("demo", "state_late"),
    ("demo", "on_change_lost"),
    ("demo", "silent"),
    ("dunlin", "frames_stop"),
    ("fulmar", "swapped_outputs"),
    ("fulmar", "current_gain"),
]


def argument(boat, kind):
    expected = fault_kinds()[kind].expected
    return f"{kind}:{expected[BOATS[boat]].argument}" if BOATS[boat] in expected else None


def compare(capsys, folder, words):
    """Runs, judges again from the folder; gives the live document after they were found equal."""
    live_status = main(["run", *words, "--on", "twin", "--out", str(folder), "--json"])
    printed = json.loads(capsys.readouterr().out)
    again_status = main(["judge", str(folder), "--json"])
    again = json.loads(capsys.readouterr().out)
    written = (folder / "verdict.json").read_text(encoding="utf-8")
    for document in (printed, again):
        assert document.pop("evidence") == str(folder)
        assert json.dumps(document, indent=2, ensure_ascii=False) + "\n" == written
    assert live_status == again_status == printed["status"]
    return printed


@pytest.mark.parametrize("plan", [[], ["--short"]], ids=["full", "short"])
@pytest.mark.parametrize("boat", BOATS)
def test_of_a_healthy_box(boat, plan, tmp_path, capsys):
    live = compare(capsys, tmp_path / "s", [boat, *plan])
    assert live["outcome"] == "pass"


@pytest.mark.parametrize(("boat", "kind"), FAULTS)
def test_of_a_faulty_box(boat, kind, tmp_path, capsys):
    fault = argument(boat, kind)
    assert fault is not None
    live = compare(capsys, tmp_path / "s", [boat, "--fault", fault, "--seed", "4", "--short"])
    assert live["outcome"] in ("fail", "inconclusive")


def test_of_a_run_that_stops_at_the_first_discrepancy(tmp_path, capsys):
    words = ["demo", "--fault", argument("demo", "member_missing"), "--until-first"]
    live = compare(capsys, tmp_path / "s", words)
    assert live["outcome"] == "fail"


def test_judging_twice_changes_nothing(tmp_path, capsys):
    compare(capsys, tmp_path / "s", ["dunlin", "--short"])
    said = []
    for _ in range(2):
        main(["judge", str(tmp_path / "s"), "--json"])
        said.append(capsys.readouterr().out)
    assert said[0] == said[1]


def test_of_a_bench_with_other_loads_than_the_boats(tmp_path, capsys):
    profile = tmp_path / "bench.yaml"
    profile.write_text(PROFILE, encoding="utf-8")
    live = compare(capsys, tmp_path / "s", ["demo", "--bench", str(profile)])
    assert live["outcome"] == "fail"  # the virtual box has the boat's loads, not those that are declared
    assert {d["subject"] for d in live["discrepancies"]} <= {"horn", "search_light"}


def test_of_a_run_that_required_more_than_it_tested(tmp_path, capsys):
    words = ["demo", "--short", "--require", "100%"]
    live = compare(capsys, tmp_path / "s", words)
    assert live["outcome"] == "inconclusive"
    assert "100 % are required" in live["doubts"][0]["reason"]
