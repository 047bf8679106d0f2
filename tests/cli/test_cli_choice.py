"""--seconds and --since on the command line."""

import json
from pathlib import Path

import pytest

from bench.cli.top import main

DATA = Path(__file__).parents[2] / "bench" / "data"


def said(capsys, *words):
    status = main(list(words))
    out, err = capsys.readouterr()
    return status, out, err


@pytest.fixture
def changed(tmp_path):
    text = (DATA / "kittiwake.yaml").read_text(encoding="utf-8")
    path = tmp_path / "new.yaml"
    path.write_text(text.replace("part_on: all_on", "part_on: all_off"), encoding="utf-8")
    return path


def test_plan_for_a_given_time_lists_what_is_still_uncovered(capsys):
    status, out, _ = said(capsys, "plan", "dunlin", "--seconds", "20")
    assert status == 0
    assert "Dunlin: plan in 20 s:" in out
    assert "\nstill uncovered:\n  transitions: " in out
    assert "no time for it in 20 s" in out
    _, out, _ = said(capsys, "plan", "dunlin", "--seconds", "20", "--json")
    made = json.loads(out)
    assert made["duration_s"] <= 20
    assert made["uncovered"][0].startswith("transitions: ")


def test_too_few_seconds_and_what_does_not_go_together_are_refused(capsys, tmp_path):
    status, _, err = said(capsys, "plan", "demo", "--seconds", "0.2")
    assert status == 2
    assert (
        "--seconds 0.2 is too short for any plan of Kittiwake - expected at least 1 - give more time" in err
    )
    for word in ("0", "-3", "nan", "inf", "1e9", "soon"):
        status, _, err = said(capsys, "plan", "demo", f"--seconds={word}")
        assert status == 2
        assert "is no number of seconds" in err
    for words in (["--seconds", "9"], ["--since", "demo"]):
        assert said(capsys, "plan", "demo", "--short", *words)[0] == 2
        run = ["run", "demo", "--on", "twin", "--out", str(tmp_path / "s")]
        status, _, err = said(capsys, *run, "--plan", "x.json", *words)
        assert (status, f"--plan and {words[0]} do not go together" in err) == (2, True)
        status, _, err = said(capsys, *run, "--short", *words)
        assert (status, f"--short and {words[0]} do not go together" in err) == (2, True)


def test_since_says_what_changed_and_where_its_part_ends(capsys, changed):
    status, out, _ = said(capsys, "plan", str(changed), "--since", "demo")
    assert status == 0
    assert "changed since demo: 1\n" in out
    assert "group bilges: part_on all_off, was all_on" in out
    assert "what this can have broken comes first, until " in out
    _, out, _ = said(capsys, "plan", "demo", "--since", "demo")
    assert "nothing changed since demo" in out
    assert said(capsys, "plan", "demo", "--since", "nothere.yaml")[0] == 2
    status, _, err = said(capsys, "plan", "demo", "--since", str(changed.parent))
    assert (status, "this folder holds no spec" in err) == (2, True)


def test_a_run_since_a_session_compares_with_its_copy_and_its_messages(capsys, changed, tmp_path):
    one, two = tmp_path / "one", tmp_path / "two"
    status, _, _ = said(capsys, "run", "demo", "--on", "twin", "--seconds", "6", "--out", str(one))
    assert status == 0
    _, out, _ = said(capsys, "plan", "demo", "--since", str(one))
    assert "nothing changed since" in out
    binding = one / "switchbox.binding.yaml"
    binding.write_text(binding.read_text(encoding="utf-8") + "# another\n", encoding="utf-8")
    _, out, _ = said(capsys, "plan", "demo", "--since", str(one))
    assert "box main: the binding file switchbox.binding.yaml differs" in out
    words = ["run", str(changed), "--on", "twin", "--seconds", "8", "--since", str(one), "--out", str(two)]
    _, _, err = said(capsys, *words)
    assert "group bilges: part_on all_off, was all_on" in err
    plan = json.loads((two / "plan.json").read_text(encoding="utf-8"))
    assert plan["since"]["changes"]
    assert plan["duration_ms"] <= 8000
