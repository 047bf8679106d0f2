"""A plan as a file: what is written is read back, and what is wrong is said with its step."""

import json

import pytest

from bench.cli import main
from bench.core.errors import UsageError
from bench.data import boat_path
from bench.plan import make_plan
from bench.run.plan_file import load_plan, plan_text
from bench.spec import load_spec


@pytest.fixture(scope="module")
def spec():
    return load_spec(boat_path("kittiwake")).spec


@pytest.fixture(scope="module")
def plan(spec):
    return make_plan(spec, supply=True)


def test_what_is_written_is_read_back(spec, plan, tmp_path):
    path = tmp_path / "plan.json"
    path.write_text(plan_text(plan), encoding="utf-8")
    assert load_plan(path, spec) == plan
    assert plan_text(load_plan(path, spec)) == plan_text(plan) == plan_text(make_plan(spec, supply=True))


def changed(plan, change):
    read = json.loads(plan_text(plan))
    change(read)
    return json.dumps(read)


WRONG = {
    "no object": (lambda r: r.clear(), "expected an object with steps"),
    "another boat": (lambda r: r["steps"][0].update(name="panel nav 77"), "step 0: the spec has no press"),
    "a kind": (
        lambda r: r["steps"][3].update(kind="kick"),
        "step 3 is of kind 'kick' - expected press | release",
    ),
    "order": (lambda r: r["steps"][9].update(at_ms=0), "step 9 is before the one above it"),
    "not a number": (lambda r: r["steps"][2].update(at_ms=float("nan")), "step 2 is at nan ms"),
    "a value": (lambda r: r["steps"][1].update(value=7), "step 1 has the value 7 - expected 0 or 1"),
    "too short": (lambda r: r.update(duration_ms=10), "duration_ms is 10"),
    "reasons": (lambda r: r.update(not_tested=[1]), "not_tested is no list of reasons"),
    "a row": (lambda r: r.update(toured=[{"by": "x"}]), "a row lacks one of by, circuits"),
}


@pytest.mark.parametrize("what", WRONG)
def test_what_is_wrong_is_said_with_its_step(spec, plan, tmp_path, what):
    change, said = WRONG[what]
    path = tmp_path / "plan.json"
    path.write_text(changed(plan, change), encoding="utf-8")
    with pytest.raises(UsageError) as e:
        load_plan(path, spec)
    assert said in str(e.value)
    assert "plan.json" in str(e.value)


def test_a_key_that_stays_down_is_refused(spec, plan, tmp_path):
    read = json.loads(plan_text(plan))
    last = max(n for n, s in enumerate(read["steps"]) if s["kind"] == "release")
    name = read["steps"].pop(last)["name"]
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(read), encoding="utf-8")
    with pytest.raises(UsageError, match=f"{name} stays down at the end"):
        load_plan(path, spec)


@pytest.mark.parametrize("text", ["", "[" * 100_000, "{", "null", "3"])
def test_what_is_no_json_is_refused(spec, tmp_path, text):
    path = tmp_path / "plan.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match="no plan"):
        load_plan(path, spec)


def test_a_kept_plan_is_run_again_and_a_wrong_one_energises_nothing(tmp_path, capsys):
    path = tmp_path / "kept.json"
    assert main(["plan", "demo", "--short", "--out", str(path)]) == 0
    words = ["run", "demo", "--on", "twin", "--plan", str(path)]
    assert main([*words, "--out", str(tmp_path / "s")]) == 0
    assert (tmp_path / "s" / "plan.json").read_text() == path.read_text()
    path.write_text("{}")
    assert main([*words, "--out", str(tmp_path / "t")]) == 2
    assert not (tmp_path / "t").exists()
    capsys.readouterr()


def test_the_plan_tells_its_cost_and_draws_its_machines(tmp_path, capsys):
    assert main(["plan", "demo", "--json", "--pictures", str(tmp_path)]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["duration_s"] == found["duration_ms"] / 1e3
    assert 0 < found["tour_presses"] == found["optimum_presses"] <= found["presses"]
    pairs = [tuple(pair[:2]) for pair in found["not_distinguishable"]]
    assert ("wiper_fwd", "wiper_aft") in pairs  # 3.5 A and 3.0 A, the fault swapped_alike
    assert ("chart_table", "bilge_aft") not in pairs  # 0.4 A and 4.5 A, the fault swapped_outputs
    picture = (tmp_path / "sidelights.mmd").read_text()
    assert picture.startswith("stateDiagram-v2\n    [*] --> s0\n    s0 : all off\n")
    assert "s0 --> s1 : navigation\n" in picture
    assert "s1 : sidelights, allround_white\n" in picture


def test_circuits_that_are_always_switched_together_are_named(tmp_path, capsys):
    """Fulmar's masthead and sidelights: on and off by the same key, lamps alike (docs/boats/fulmar.md)."""
    assert main(["plan", "fulmar", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["not_distinguishable"]
    together = [pair[:2] for pair in found if pair[2].startswith("always switched together")]
    assert together == [["masthead", "sidelights"]]


def test_a_plan_for_some_circuits_touches_what_hangs_together_with_them_and_nothing_else(tmp_path, capsys):
    path = tmp_path / "some.json"
    words = ["plan", "demo", "--only", "sidelights", "--only", "horn"]
    assert main([*words, "--json", "--out", str(path)]) == 0
    found = json.loads(capsys.readouterr().out)
    keys = {s["name"] for s in found["steps"] if s["kind"] == "press"}
    assert keys == {"panel helm 1", "screen helm 21", "screen helm 22", "panel helm 3"}
    assert [t["circuits"] for t in found["toured"]] == [["sidelights", "allround_white"], ["horn"]]
    assert found["not_tested"]["everything else"] == "the plan was made for sidelights, horn only"
    assert found["duration_s"] < 10
    assert all({"sidelights", "horn"} & set(pair[:2]) for pair in found["not_distinguishable"])
    assert main(["run", "demo", "--on", "twin", "--plan", str(path), "--out", str(tmp_path / "s")]) == 0
    capsys.readouterr()


def test_a_circuit_that_is_not_there_is_refused_with_the_nearest(capsys):
    assert main(["plan", "demo", "--only", "sidelight"]) == 2
    assert "--only sidelight: the spec has no such circuit - expected sidelights" in capsys.readouterr().err
