"""Every fault kind, on every boat that has it, ends in the verdict that was written down beforehand."""

import pytest

from bench.evidence.faults import cases, reached, what_is_wrong
from bench.lab.api import run_virtual
from bench.twin import Fault, fault_kinds

CASES = list(cases())
# every third kind on one of the boats that have it, in turn; `make evidence` runs all with several seeds
KINDS = {kind: [case for case in CASES if case.kind == kind] for kind in dict.fromkeys(c.kind for c in CASES)}
SAMPLE = [cases[k // 3 % len(cases)] for k, cases in enumerate(KINDS.values()) if k % 3 == 1]


def test_there_are_faults_of_every_place_and_at_least_thirty_kinds():
    kinds = fault_kinds()
    assert len(kinds) >= 30
    assert {kind.where for kind in kinds.values()} == {
        "tables", "firmware", "wiring", "sensor", "bus", "by hand", "to be seen", "beside a supply",
        "low supply",
    }  # fmt: skip
    assert set(KINDS) == set(kinds)
    assert len(SAMPLE) >= len(kinds) // 3
    assert {case.boat for case in SAMPLE} == {"demo", "dunlin", "fulmar"}


@pytest.mark.slow
@pytest.mark.parametrize("case", SAMPLE, ids=lambda case: f"{case.boat}-{case.kind}")
def test_a_fault_ends_in_its_expected_verdict(case, tmp_path):
    verdict = reached(case, tmp_path / "session")
    assert what_is_wrong(case, verdict, tmp_path / "session") == ""


@pytest.mark.parametrize("seed", [1, 6, 7])
def test_a_dimmer_too_fast_is_found_whenever_its_level_happens_to_be_reported(seed):
    """What it remembered at the start is learned from its level even where the key was let go, without any
    effect, between the level's frames."""
    verdict = run_virtual("dunlin", faults=(Fault.parse("dim_rate:main 3/1.5"),), seed=seed).verdict
    assert verdict.outcome == "fail"
    assert verdict.discrepancies[0].root.subject == "saloon_port"
