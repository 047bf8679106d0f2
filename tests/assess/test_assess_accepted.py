"""What is accepted is set apart, and nothing else; what is stale fails."""

from dataclasses import replace

import pytest

from bench.assess.accepted import with_accepted
from bench.core.verdict import FAIL, INCONCLUSIVE, PASS, Deviation, Discrepancy, Doubt, Verdict
from bench.spec.accepted import Accepted

TODAY = "2027-01-31"
HORN = Accepted("horn", "late", "slow relay", "A. Builder", TODAY, path="a.yaml", line=3)


def deviation(subject, kind):
    return Deviation(kind, f"state:{subject}", subject, 10, "on", "off")


def verdict(*discrepancies, doubts=(), tested=("horn", "deck_fwd")):
    numbered = tuple(replace(d, number=n) for n, d in enumerate(discrepancies, 1))
    outcome = FAIL if numbered else INCONCLUSIVE if doubts else PASS
    return Verdict(outcome, numbered, tuple(doubts), tested=dict.fromkeys(tested, "seen"))


def found(subject="horn", kind="late", *follow, also=()):
    return Discrepancy(0, subject, deviation(subject, kind), tuple(deviation(*f) for f in follow), also)


def test_what_is_accepted_is_set_apart_and_the_outcome_is_as_if_it_were_not():
    after = with_accepted(verdict(found()), [HORN], TODAY, 5)
    assert (after.outcome, after.discrepancies) == (PASS, ())
    (one,) = after.accepted
    assert (one.discrepancy.subject, one.reason, one.who, one.expires) == (
        "horn",
        "slow relay",
        "A. Builder",
        TODAY,
    )


def test_doubts_and_other_discrepancies_stay():
    doubt = Doubt(1, "link", "lost")
    assert with_accepted(verdict(found(), doubts=[doubt]), [HORN], TODAY, 5).outcome == INCONCLUSIVE
    after = with_accepted(verdict(found(), found("deck_fwd", "missing")), [HORN], TODAY, 5)
    assert (after.outcome, [(d.number, d.subject) for d in after.discrepancies]) == (FAIL, [(1, "deck_fwd")])


@pytest.mark.parametrize(
    "other",
    [
        found("horn", "missing"),  # another kind
        found("deck_fwd", "late"),  # another circuit
        found("horn", "late", ("deck_fwd", "unexpected")),  # more follows than was accepted
        found("horn", "late", also=("deck_fwd",)),
    ],
)
def test_anything_more_than_was_accepted_is_not(other):
    after = with_accepted(verdict(other), [HORN], TODAY, 5)
    assert after.outcome == FAIL
    assert after.accepted == ()
    assert other.root in [d.root for d in after.discrepancies]


def test_what_may_follow_is_named():
    entry = replace(HORN, also=("panel helm 3",))
    after = with_accepted(verdict(found("horn", "late", ("panel helm 3", "late"))), [entry], TODAY, 5)
    assert (after.outcome, len(after.accepted)) == (PASS, 1)


def test_what_occurs_no_more_fails():
    after = with_accepted(verdict(), [HORN], TODAY, 5)
    (one,) = after.discrepancies
    assert (after.outcome, one.number, one.root.kind, one.root.seen) == (
        FAIL,
        1,
        "accepted",
        "it did not occur",
    )
    assert one.root.evidence == "the entry at a.yaml:3: take it out"


def test_what_was_not_tested_is_in_doubt():
    after = with_accepted(verdict(tested=()), [HORN], TODAY, 5)
    assert after.outcome == INCONCLUSIVE
    assert after.doubts[0].reason == "whether it still is late, as was accepted, was not tested in full"


@pytest.mark.parametrize(
    "less",
    [
        {"not_tested": {"auto-off": "left out of the short plan: deck_fwd, horn"}},
        {"not_tested": {"current of horn": "no load on this bench"}},
        {"doubts": (Doubt(1, "horn", "3 frames not seen, while state:horn was judged"),)},
    ],
)
def test_what_did_not_occur_where_it_was_tested_in_part_is_in_doubt(less):
    after = with_accepted(replace(verdict(), **less), [HORN], TODAY, 5)
    assert (after.outcome, after.discrepancies) == (INCONCLUSIVE, ())
    assert with_accepted(verdict(), [HORN], TODAY, 5, whole=False).outcome == INCONCLUSIVE
    others = replace(verdict(), not_tested={"fog_horn": "not pressed"})
    assert with_accepted(others, [HORN], TODAY, 5).outcome == FAIL


@pytest.mark.parametrize("occurs", [True, False])
def test_what_has_expired_fails_whether_it_occurs_or_not(occurs):
    after = with_accepted(verdict(*([found()] if occurs else [])), [HORN], "2027-02-01", 5)
    assert (after.outcome, after.accepted) == (FAIL, ())
    assert [d.root.seen for d in after.discrepancies][-1] == "it expired on 2027-01-31"
    assert len(after.discrepancies) == 1 + occurs
