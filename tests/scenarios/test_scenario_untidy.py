"""Kittiwake on definitions of somebody else: other names, byte orders, pages and addresses, and no code.

The spec is the shipped one but for the two file names in it; the virtual box is told its frames by
tables that were written by hand from dbc/untidy.md.
"""

import json
import re
from pathlib import Path

import pytest
from untidy import TABLES, write_untidy

import bench
from bench.cli import main
from bench.cli.running import Wish, run_and_judge
from bench.core.errors import UsageError
from bench.core.verdict import FAIL, INCONCLUSIVE, PASS
from bench.twin import fault_kinds

ROOT = Path(bench.__file__).resolve().parent.parent
KINDS = fault_kinds()
# of every place and every sort of effect; the same kinds, with the same arguments, on both sets of messages
FAULTS = [
    "member_missing",
    "momentary_latches",
    "lamp_missing",
    "slow_task",
    "state_late",
    "swapped_outputs",
]
# faults of a frame, whose names differ: tidy and untidy argument
OF_FRAMES = {
    "on_change_lost": ("PanelLamps1", "Lampen_A"),
    "counter_stuck": ("ChannelState1", "Aus_vorn"),
    "frames_lost": ("ChannelState1/0.3", "Aus_vorn/0.3"),
    "frames_short": ("ChannelLevel2/6", "Helligkeit10/3"),
}


@pytest.fixture(scope="module")
def untidy(tmp_path_factory):
    return write_untidy(tmp_path_factory.mktemp("mine"))


def ends(spec, folder, fault=None, *, tables=None, **more):
    """Outcome and the subjects of the discrepancies of a run."""
    wish = Wish(spec, "twin", folder, fault=fault, tables=tables, **more)
    verdict = run_and_judge(wish, write=False).verdict
    return verdict.outcome, [d.subject for d in verdict.discrepancies]


def test_the_definitions_have_nothing_in_common():
    tidy, other = (
        (ROOT / "dbc" / name).read_text(encoding="utf-8") for name in ("switchbox.dbc", "untidy.dbc")
    )
    for pattern in (r"^BO_ \d+ (\w+)", r"^ SG_ (\w+)", r"^BO_ (\d+)"):
        mine, theirs = set(re.findall(pattern, tidy, re.M)), set(re.findall(pattern, other, re.M))
        assert len(mine) > 5 < len(theirs)
        assert mine & theirs == set()


def test_check_finds_no_error(untidy, capsys):
    assert main(["check", untidy, "--json"]) == 0
    assert [f for f in json.loads(capsys.readouterr().out)["findings"] if f["severity"] == "error"] == []


@pytest.mark.slow
@pytest.mark.parametrize("short", [False, True], ids=["full", "short"])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_healthy_box_passes(untidy, short, seed, tmp_path):
    assert ends(untidy, tmp_path / "s", tables=TABLES, short=short, seed=seed) == (PASS, [])


@pytest.mark.slow
def test_as_much_is_tested_and_left_out_as_with_the_shipped_definitions(untidy, tmp_path):
    tidy = run_and_judge(Wish("demo", "twin", tmp_path / "a"), write=False).verdict
    other = run_and_judge(Wish(untidy, "twin", tmp_path / "b", tables=TABLES), write=False).verdict
    assert (set(other.tested), other.not_tested, other.scope) == (
        set(tidy.tested),
        tidy.not_tested,
        tidy.scope,
    )


@pytest.mark.slow
@pytest.mark.parametrize("kind", FAULTS)
def test_a_fault_ends_in_the_same_verdict_on_the_same_circuit(untidy, kind, tmp_path):
    fault = f"{kind}:{KINDS[kind].expected['kittiwake'].argument}"
    reached = ends(untidy, tmp_path / "b", fault, tables=TABLES)
    assert reached[0] in (FAIL, INCONCLUSIVE)
    assert reached == ends("demo", tmp_path / "a", fault)


@pytest.mark.slow
@pytest.mark.parametrize("kind", OF_FRAMES)
def test_a_fault_of_a_frame_ends_in_the_same_verdict(untidy, kind, tmp_path):
    tidy, other = OF_FRAMES[kind]
    assert KINDS[kind].expected["kittiwake"].argument == tidy
    reached = ends(untidy, tmp_path / "b", f"{kind}:{other}", tables=TABLES)
    assert reached[0] in (FAIL, INCONCLUSIVE)
    assert reached == ends("demo", tmp_path / "a", f"{kind}:{tidy}")


def test_a_boat_without_a_virtual_box_is_told_what_to_do(untidy, tmp_path):
    text = Path(untidy).read_text(encoding="utf-8").replace("name: Kittiwake,", "name: Osprey,")
    (tmp_path / "osprey.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(UsageError) as caught:
        run_and_judge(Wish(str(tmp_path / "osprey.yaml"), "twin", tmp_path / "s"))
    assert str(caught.value) == (
        'error: no virtual box is shipped for "Osprey" - expected demo, dotterel, dunlin, '
        "fulmar, greenshank, kittiwake, kittiwake_untidy, turnstone"
        " - give its virtual box's tables (--tables FILE), or run on the real box (--on slcan:PORT)"
    )
    assert not (tmp_path / "s").exists()


@pytest.mark.slow
def test_the_wrong_tables_are_inconclusive_never_a_verdict_on_the_box(untidy, tmp_path):
    assert ends(untidy, tmp_path / "s", short=True) == (
        INCONCLUSIVE,
        [],
    )  # the shipped box speaks another tongue


@pytest.mark.slow
def test_the_circuit_at_fault_is_named_though_one_that_follows_it_is_reported_first(untidy, tmp_path):
    assert ends(untidy, tmp_path / "s", "timer_survives_off:main 15", tables=TABLES) == (FAIL, ["washdown"])


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
def test_a_key_found_down_by_a_box_that_started_anew_may_count_as_pressed_or_not(seed, untidy, tmp_path):
    reached = ends(untidy, tmp_path / "s", "restarts:9000", tables=TABLES, seed=seed)
    assert reached == (FAIL, ["main"])
