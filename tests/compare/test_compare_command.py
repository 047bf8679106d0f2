"""`hardstand compare`: exit status, refusals, outputs, and what it finds on virtual boxes."""

import json
import shutil
from pathlib import Path

import pytest

from bench.cli import main
from bench.evidence.compare import CASES, Case, fault_pair, healthy_pair, is_found, names, plan_pair

RECORDINGS = Path(__file__).resolve().parents[2] / "recordings"
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    """A folder of sessions, so that the healthy one is run once."""
    return tmp_path_factory.mktemp("runs")


def said(capsys, *argv):
    status = main(["compare", *map(str, argv)])
    out = capsys.readouterr()
    return status, out.out, out.err


def test_a_session_is_the_same_as_itself(capsys):
    status, out, _ = said(capsys, RECORDINGS / "healthy-full", RECORDINGS / "healthy-full")
    assert status == 0
    assert out.startswith("SAME: ")
    assert "Benjamini-Hochberg" in out
    assert "Mann-Whitney" in " ".join(out.split())


def test_a_short_timer_is_different_and_named(capsys):
    status, out, _ = said(capsys, RECORDINGS / "healthy-full", RECORDINGS / "fault-timer_short", "--json")
    document = json.loads(out)
    assert status == document["status"] == 1
    assert {(d["kind"], d["subject"]) for d in document["differences"]} == {
        ("timer", "washdown"),
        ("state", "locker_light"),  # it goes off with it, and in the other session by its key
        ("lamp", "panel helm 7"),
        ("lamp", "screen helm 32"),
        ("lamp", "screen helm 42"),
    }
    (timer,) = (d for d in document["differences"] if d["kind"] == "timer")
    assert timer["stimulus"] == "panel helm 7 pressed"
    assert (timer["a"][:12], timer["b"][:12]) == ("off after 40", "off after 30")
    assert [s for s in document["shifts"] if s["verdict"] == "different"] == []


def test_an_open_load_is_different_and_named_on_a_page_too(capsys, tmp_path):
    page = tmp_path / "page.html"
    status, out, _ = said(
        capsys, RECORDINGS / "healthy-short", RECORDINGS / "fault-open_load", "--html", page
    )
    assert status == 1
    assert "deck_fwd (fault)" in out
    text = page.read_text(encoding="utf-8")
    assert text.startswith("<!doctype html>")
    assert "<script" not in text
    assert "deck_fwd, at 100 %" in text


def test_sessions_of_other_plans_are_never_called_different_for_that(capsys):
    status, out, _ = said(capsys, RECORDINGS / "healthy-short", RECORDINGS / "healthy-full")
    assert status == 3
    assert "without a partner in B:" in out


def test_bare_files_need_a_spec_and_are_then_compared(capsys, tmp_path):
    bare = tmp_path / "bare.log"
    shutil.copy(RECORDINGS / "healthy-short" / "frames.log", bare)
    status, _, err = said(capsys, bare, bare)
    assert (status, "name one: --spec SPEC" in err) == (2, True)
    status, out, _ = said(capsys, bare, bare, "--spec", "demo")
    assert status in (0, 3)
    assert "link jitter 20 ms" in out


def test_other_specs_are_refused_by_name_and_compared_when_asked(capsys, tmp_path):
    other = tmp_path / "other"
    shutil.copytree(RECORDINGS / "healthy-full", other)
    spec = other / "spec.yaml"
    spec.write_text(spec.read_text().replace("load: motor, rated_a: 5.2", "load: motor, rated_a: 5.6"))
    status, out, err = said(capsys, RECORDINGS / "healthy-full", other)
    assert (status, out) == (2, "")
    assert "circuits fresh_water rated_a: 5.2, then 5.6" in err
    assert "--across-specs" in err
    assert said(capsys, RECORDINGS / "healthy-full", other, "--across-specs")[0] == 0


def test_other_definitions_are_refused_by_name(capsys, tmp_path):
    other = tmp_path / "other"
    shutil.copytree(RECORDINGS / "healthy-short", other)
    with (other / "switchbox.dbc").open("a") as file:
        file.write("\n")
    (other / "spec.yaml").write_text("# another comment\n" + (other / "spec.yaml").read_text())
    status, _, err = said(capsys, RECORDINGS / "healthy-short", other)
    assert (status, "switchbox.dbc does not hold the same" in err) == (2, True)
    assert "definitions: switchbox.dbc does not hold the same - expected" in err


def test_no_recording_is_wrong_input(capsys, tmp_path):
    assert said(capsys, tmp_path / "a", tmp_path / "b")[0] == 2


# fulmar 12: a lamp of the box that woke first is dark until the other says that its circuit is on
@pytest.mark.parametrize(("boat", "number"), [("demo", 0), ("fulmar", 12)])
def test_two_healthy_boxes_of_other_seeds_are_the_same(boat, number, runs):
    comparison = healthy_pair(boat, number, runs)
    assert names(comparison) == []
    assert comparison.outcome == "same", comparison.doubts


@pytest.mark.parametrize("case", CASES[:1] + CASES[5:7], ids=lambda case: case.fault)
def test_a_small_fault_is_different_with_circuit_and_quantity(case, runs):
    comparison = fault_pair(case, 1001, runs)
    assert is_found(case, comparison), names(comparison)


@pytest.mark.parametrize("boat", ["dunlin"])
def test_healthy_sessions_of_two_plans_are_never_different(boat, runs):
    comparison = plan_pair(boat, 0, runs)
    assert names(comparison) == []
    assert comparison.unmatched_a and comparison.unmatched_b


def test_a_box_that_falls_silent_is_a_doubt_and_no_difference(runs):
    comparison = fault_pair(Case("silent:main/30000", ("main",), ()), 1001, runs)
    assert names(comparison) == []
    assert comparison.outcome == "cannot tell"
    assert "B: box main was silent for a while" in comparison.doubts


def test_a_restart_without_a_cause_is_named(runs):
    comparison = fault_pair(Case("restarts:45000", ("main",), ("boot",)), 1001, runs)
    assert is_found(Case("", ("main",), ("boot",)), comparison), names(comparison)
