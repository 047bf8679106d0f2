"""Healthy virtual boxes pass; the same seed gives the same bytes; live and offline agree to the letter."""

import pytest

from bench.cli.demonstration import FAULT
from bench.cli.judging import judged
from bench.cli.loading import load_boat
from bench.cli.running import Wish, run_and_judge
from bench.core.verdict import INCONCLUSIVE, PASS

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("boat", ["demo", "dunlin", "fulmar"])
def test_a_healthy_boat_passes(boat, seed, tmp_path):
    verdict = run_and_judge(Wish(boat, "twin", tmp_path / "session", seed=seed)).verdict
    assert (verdict.outcome, verdict.discrepancies) == (PASS, ())
    assert verdict.judged_samples > 10_000
    assert verdict.scope


def test_the_short_plan_passes_and_says_what_it_leaves_out(tmp_path):
    verdict = run_and_judge(Wish("demo", "twin", tmp_path / "session", short=True)).verdict
    assert verdict.outcome == PASS
    assert verdict.not_tested


def test_the_same_seed_gives_the_same_bytes_and_another_seed_others(tmp_path):
    made = {}
    for name, seed in (("a", 7), ("b", 7), ("c", 8)):
        run_and_judge(Wish("demo", "twin", tmp_path / name, seed=seed, short=True))
        made[name] = {file: (tmp_path / name / file).read_bytes() for file in ("frames.log", "marks.jsonl")}
    assert made["a"] == made["b"]
    assert made["a"]["frames.log"] != made["c"]["frames.log"]


@pytest.mark.parametrize("fault", [None, FAULT])
def test_a_session_judged_live_and_again_later_agrees_to_the_letter(fault, tmp_path):
    live = run_and_judge(Wish("demo", "twin", tmp_path / "session", fault=fault)).verdict
    assert judged(str(tmp_path / "session"), None)[1].verdict == live


def test_coverage_that_was_required_and_not_reached_is_inconclusive(tmp_path):
    everything = ",".join(load_boat("demo").spec.controls)
    wish = Wish("demo", "twin", tmp_path / "session", short=True, require=everything)
    verdict = run_and_judge(wish).verdict
    assert verdict.outcome == INCONCLUSIVE
    assert {doubt.reason for doubt in verdict.doubts} == {"required, but not tested"}
