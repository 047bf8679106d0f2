"""A sample of the study of people who err; the full one is `python -m bench.evidence persons`."""

import pytest

from bench.evidence.persons import healthy, run_one, wrong_of_healthy

SAMPLE = [c for c in healthy(24) if c[0] in ("dunlin", "fulmar")]


def test_the_sample_holds_people_of_every_kind():
    assert {share for _, _, share in SAMPLE} == {0.0, 0.02, 0.1, 0.3}
    assert len(SAMPLE) == 8


@pytest.mark.slow
@pytest.mark.parametrize("run", SAMPLE, ids=lambda run: f"{run[0]}-{run[1]}")
def test_people_who_err_anywhere_make_no_healthy_box_fail(run):
    assert wrong_of_healthy(*run_one(*run)) == ""


@pytest.mark.slow
@pytest.mark.parametrize(
    ("boat", "fault", "subjects"),
    [
        ("demo", "hand_deaf:main 2", {"allround_white"}),
        ("fulmar", "load_mute:fore 12", {"seen or heard horn"}),
    ],
)
def test_a_fault_lands_on_nothing_else_whatever_people_do(boat, fault, subjects):
    for seed in (1, 2):
        verdict, _ = run_one(boat, seed, 0.2, fault)
        assert {d.subject for d in verdict.discrepancies} <= subjects
