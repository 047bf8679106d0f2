"""The scoreboard's page says what is open, and reckons how long all of it takes."""

from collections import Counter

import pytest

from bench.core.plan import Plan
from bench.evidence import scoreboard
from bench.evidence.scoreboard import AIMS, Scoring, below_aims, slow, study, unfound_kinds
from bench.lab.score import Score, Scored
from bench.twin import Fault
from bench.twin.edits import Together

PLAN = Plan("x", (), 90_000.0)


def made(outcomes, *, every=None, cpu_s=0.5):
    """`outcomes`: kind -> outcomes of those tried."""
    found = Score()
    for kind, some in outcomes.items():
        for n, outcome in enumerate(some):
            found.add(Scored(Together((Fault("key_dead", str(n)),), kind), outcome, cpu_s=cpu_s))
    return Scoring("demo", "single edits", PLAN, Counter(every or found.cpu_s.keys()), found, 1.0)


def test_a_kind_of_which_some_were_not_found_is_named_and_equals_count_for_nothing():
    one = made({"key_dead": ["found"] * 9, "wake_extra": ["found", "missed"], "lamp_wrong_key": ["equal"]})
    assert list(unfound_kinds([one])) == ["demo: not all found of wake_extra"]
    assert one.worst == "wake_extra"
    assert list(unfound_kinds([made({"key_dead": ["found", "equal"], "lamp_missing": ["doubted"]})])) == []


def test_what_is_in_doubt_or_broken_is_not_found():
    one = made({"a": ["found", "doubted"], "b": ["broken"], "c": ["alike"]})
    assert list(unfound_kinds([one])) == ["demo: not all found of a, b"]


def test_of_exchanged_wires_a_doubt_is_all_that_can_be_said():
    assert not list(unfound_kinds([made({"swapped_outputs": ["found", "doubted", "alike"]})]))
    missed = made({"swapped_outputs": ["doubted", "missed"]})
    assert list(unfound_kinds([missed])) == ["demo: not all found of swapped_outputs"]


def test_the_time_for_all_is_reckoned_kind_by_kind_from_those_tried():
    one = made({"a": ["found"] * 2, "b": ["found"]}, every={"a": 200, "b": 10}, cpu_s=3.0)
    assert one.cpu_s == pytest.approx(9.0)
    assert one.whole_s == pytest.approx((200 * 3.0 + 10 * 3.0) / 2)
    assert list(slow(one)) == ["all single edits of the demo boat take 315 s on 2 cores"]
    assert list(slow(made({"a": ["found"]}, every={"a": 100}))) == []


def test_aims_that_are_not_reached_are_said_with_both_figures():
    crossed = made(
        {kind: ["found"] for kind in AIMS} | {"cross-talk, one circuit": ["found"] * 3 + ["missed"]}
    )
    past = made({"history, one key before": ["found"] * 9, "history, two keys before": ["missed", "equal"]})
    company = crossed._replace(what="hidden, with keys in all company")
    assert list(below_aims([made({k: ["found"] for k in AIMS}), company], past)) == [
        "hidden, with keys in all company, cross-talk, one circuit: 75% found, 100% is the aim",
        "history with sequences of three: 90% found, 95% is the aim",
    ]
    shared = made({"history of scenes, on and off": ["missed"], "history, one key before": ["found"]})
    assert list(below_aims([made({k: ["found"] for k in AIMS})], shared)) == []


def test_the_page_holds_every_part_without_running_any(monkeypatch):
    """What is tried is drawn in earnest; each is then said to be found."""
    ran, misses = [], ""

    def scoring(boat, what, tried, every=(), plan=None):
        kinds = [e.kind for e in tried]
        ran.append((boat, what, len(kinds)))
        outcomes = {kind: ["found"] * n for kind, n in Counter(kinds).items()}
        if what == misses:
            outcomes["cross-talk, two circuits"] += ["missed"]
        return made(outcomes, every=[e.kind for e in every], cpu_s=0.1)._replace(boat=boat, what=what)

    monkeypatch.setattr(scoreboard, "scoring", scoring)
    page = study(0.1)
    good = "of 48 single edits all found that a report can show, and the aims reached for what hides"
    assert page.holds and page.summary == good
    singles, losses, defects, pairs, *shy = page.tables[0].rows
    assert singles[:4] == ["demo", "single edits", 3086, 31]
    assert losses[:4] == ["demo", "single edits of losses", 17, 17]
    assert defects[:2] == ["demo", "defects of the box"] and defects[2] >= 260 and defects[3] >= 22
    assert pairs[:4] == ["demo", "two edits at once", 1, 2]
    assert [(row[1], row[3]) for row in shy] == [
        ("hidden", 8),
        ("hidden, without a supply that is switched", 4),
        ("hidden, with keys in all company", 4),
        ("hidden, with sequences of three", 4),
    ]
    assert "A sample: 1 of each kind of the demo boat." in page.about
    for misses in ("hidden", "hidden, without a supply that is switched", "hidden, with keys in all company"):
        page = study(0.1)
        assert not page.holds
        assert page.summary == f"{misses}, cross-talk, two circuits: 50% found, 98% is the aim"
    misses = ""
    monkeypatch.setattr(scoreboard, "SAMPLED", {"dunlin": 12})
    everything = study(1.0)
    assert len(everything.tables[0].rows) == 12
    assert max(n for boat, what, n in ran if boat == "demo") == 3086
