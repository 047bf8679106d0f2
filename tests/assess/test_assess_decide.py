"""A deviation is a discrepancy once nothing can excuse it any more."""

from bench.assess.agenda import Agenda
from bench.assess.findings import Findings
from bench.assess.lost import LostNodes
from bench.assess.stimulus import Stimulus
from bench.judge.found import Found
from bench.lab.api import load_boat

MS = 1_000_000
NOW = 10_000 * MS


class NoModel:
    def targets(self, control):
        return ()


def suspected(leans_on=()):
    findings = Findings(NoModel(), Agenda())
    found = Found("missing", "state:horn", "horn", NOW, NOW - 100 * MS, "on", "off", 0, (3,))
    findings.of_signal(found, None, [], "main", 7, leans_on)
    return findings


def test_a_deviation_is_held_back_for_a_while_and_then_stands():
    findings = suspected()
    findings.decide(NOW + findings.hold_ns)
    assert not findings.folder.groups
    findings.decide(NOW + findings.hold_ns + 1)
    assert len(findings.folder.groups) == 1


def test_frames_lost_that_are_told_of_only_afterwards_excuse_it():
    findings = suspected()
    findings.blinded(NOW - 50 * MS, NOW + 150 * MS, "1 lost at queue")
    findings.decide()
    assert not findings.folder.groups
    assert ("horn", "1 lost at queue, while state:horn was judged") in {
        (d.subject, d.reason) for d in findings.doubts
    }


def test_it_waits_for_the_confirmation_of_what_it_leans_on():
    press = Stimulus(1, NOW - 110 * MS, "press", "panel helm 3", 1, unconfirmed=True)
    findings = suspected((press,))
    findings.decide(NOW + 10 * findings.hold_ns)
    assert not findings.folder.groups
    press.unconfirmed = False
    findings.decide(NOW + 10 * findings.hold_ns)
    assert len(findings.folder.groups) == 1


def test_a_stimulus_never_confirmed_makes_it_a_doubt():
    press = Stimulus(1, NOW - 110 * MS, "press", "panel helm 3", 1, unconfirmed=True)
    findings = suspected((press,))
    findings.decide()
    assert not findings.folder.groups
    assert "never confirmed" in findings.doubts[0].reason


def test_what_was_seen_is_not_excused_by_blindness():
    findings = Findings(NoModel(), Agenda())
    findings.of_box("restart", "main", NOW, "no restart", "a boot frame", "boot:main", 3, certain=True)
    findings.of_box("counter", "main", NOW, "no gap", "a gap", "main/State", 3, since_ns=NOW - 100 * MS)
    findings.blinded(NOW - 50 * MS, NOW, "box main was heard again after a silence")
    findings.decide()
    assert [g.members[0][0].kind for g in findings.folder.groups] == ["restart"]


def test_a_panel_whose_signs_of_life_are_not_confirmed_may_be_lost_and_that_is_said_once():
    lost = LostNodes(load_boat("kittiwake").spec, Agenda())  # panel helm: lost after 1500 ms
    for tag, t in enumerate(range(0, 3000, 500)):
        lost.heard("panel helm", t * MS, sure=False)
        lost.sent("panel helm", t * MS, tag)
        if t == 500:
            lost.confirmed(tag)
    assert list(lost.unsure(1999 * MS)) == []
    assert list(lost.unsure(2000 * MS)) == ["panel helm"]
    assert list(lost.unsure(2100 * MS)) == []
    assert list(lost.due(2100 * MS)) == []


class Washdown:
    def targets(self, control):
        return ("washdown",) if control == "panel helm 7" else ()


def blamed(*meanwhile):
    """What a pump that goes off by itself is put down to: its key 30 s ago, these since, and one just now."""
    started = Stimulus(1, NOW - 30_000 * MS, "press", "panel helm 7", 1, clusters=(3,))
    done = [Stimulus(n + 2, NOW - 20_000 * MS + n, "press", name, 1) for n, name in enumerate(meanwhile)]
    last = Stimulus(9, NOW - 50 * MS, "press", "panel helm 2", 1)
    every = [started, *done, last]
    findings = Findings(Washdown(), Agenda())
    found = Found("unexpected", "state:washdown", "washdown", NOW, NOW - 100 * MS, "on", "off", 1, (3,))
    findings.of_signal(
        found, started, [last], "main", 7, before=[started],
        between=lambda since_ns, until_ns: [s for s in every if since_ns <= s.t_ns <= until_ns],
    )  # fmt: skip
    findings.decide()
    return findings.folder.groups[0].members[0][0].cause


def test_what_goes_off_by_itself_is_put_down_to_the_last_key_that_could_have_done_it():
    assert blamed() == "panel helm 2 pressed"
    assert blamed("panel helm 2", "panel helm 4", "panel helm 4") == "panel helm 2 pressed"


def test_a_key_that_did_nothing_to_it_twice_is_not_to_blame():
    assert blamed("panel helm 2", "panel helm 2") == "panel helm 7 pressed"
