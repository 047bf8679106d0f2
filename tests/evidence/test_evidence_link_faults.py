"""The study of link faults: that it holds on a sample, and would notice a wrong verdict."""

import random
from dataclasses import replace

import pytest

from bench.core.verdict import FAIL, INCONCLUSIVE, PASS, Deviation, Discrepancy
from bench.evidence import link_faults
from bench.lab.one_fault import DIES, HELD, SILENT, VANISHED, LinkFault
from bench.lab.virtual import START_NS

MS = 1_000_000


@pytest.fixture(scope="module")
def healthy():
    return link_faults.sound_run(0)


@pytest.mark.slow
def test_a_boot_frame_lost_untold_is_no_failure_of_the_box():
    """Found by the study: the counters start anew at the boot, so no gap shows the loss."""
    sound = link_faults.sound_run(12)
    from_ns = START_NS + 1783 * MS
    verdict, _ = link_faults.faulty_run(sound, LinkFault(SILENT, from_ns, from_ns + 600 * MS))
    assert verdict.outcome == INCONCLUSIVE
    assert any("its boot frame was not seen" in d.reason for d in verdict.doubts)


@pytest.mark.slow
def test_a_release_that_vanishes_just_before_the_end_is_no_pass():
    """Found by the study: the run was over before the link had had its second to confirm it."""
    sound = link_faults.sound_run(14)
    from_ns = sound.ended_ns - 1038 * MS
    verdict, link = link_faults.faulty_run(sound, LinkFault(VANISHED, from_ns, from_ns + 145 * MS))
    assert [frame.can_id for frame in link.unsent] == [0x0CFF1051]
    assert verdict.outcome == INCONCLUSIVE
    assert "screen bridge 37 released: the link never confirmed it" in [d.reason for d in verdict.doubts]


@pytest.mark.slow
def test_a_consequence_on_the_sound_link_may_be_what_fails_where_the_rest_was_not_seen():
    """Found by the study: the backlight deviates on a sound link too, as a consequence of a later root."""
    sound = link_faults.sound_run(1)
    from_ns = START_NS + 8597 * MS
    verdict, link = link_faults.faulty_run(sound, LinkFault(HELD, from_ns, from_ns + 261 * MS))
    roots = {d.subject for d in verdict.discrepancies}
    assert roots.isdisjoint(d.subject for d in sound.verdict.discrepancies) and roots
    assert link_faults.what_is_wrong(sound, verdict, link.unsent) == ""


@pytest.mark.slow
def test_random_faults_of_the_link_end_in_no_wrong_verdict(healthy):
    chance = random.Random(11)
    for _ in range(12):
        fault = link_faults.random_fault(healthy, chance)
        verdict, link = link_faults.faulty_run(healthy, fault)
        assert link_faults.what_is_wrong(healthy, verdict, link.unsent) == "", fault


def test_a_link_that_dies_makes_a_run_inconclusive(healthy):
    verdict, link = link_faults.faulty_run(
        healthy, LinkFault(DIES, START_NS + 5_000 * MS, START_NS + 5_001 * MS)
    )
    assert verdict.outcome == INCONCLUSIVE
    assert link.met == 1


def test_wrong_verdicts_would_be_noticed(healthy):
    verdict, link = link_faults.faulty_run(healthy, LinkFault(SILENT, START_NS, START_NS))
    assert verdict.outcome == PASS
    root = Deviation("unexpected", "state:x", "x", 0, "off", "on")
    failed = replace(verdict, outcome=FAIL, discrepancies=(Discrepancy(1, "x", root),))
    assert link_faults.what_is_wrong(healthy, failed, link.unsent) == "fails on x"
    hidden = replace(healthy, verdict=failed)
    assert "passes where the sound link" in link_faults.what_is_wrong(hidden, verdict, link.unsent)


def test_a_fault_in_the_window_of_a_stimulus_is_not_outside(healthy):
    at_ns = healthy.stimuli_ns[0]
    assert not healthy.is_outside(LinkFault(SILENT, at_ns, at_ns + MS))
    assert healthy.is_outside(LinkFault(SILENT, healthy.ended_ns + 9_000 * MS, healthy.ended_ns + 9_100 * MS))
