"""What a command line asks of a person, and of a bench on which some things must not run long."""

import io
import json
import re

import pytest

from bench.cli import main
from bench.cli.energise import confirm
from bench.core.entry import Asked
from bench.lab.api import load_boat
from bench.session import open_session

HEAD = "hardstand_bench: 1\nadapter: twin\nclock: host\necho: none\nconfirms: true\njitter_ms: 3\n"
FEW = "fixtures: {fuses: {does: by_hand, by: person, on: [cabin_red, deck_fwd]}}\n"


@pytest.fixture
def bench(tmp_path):
    def write(text):
        path = tmp_path / "bench.yaml"
        path.write_text(HEAD + text, encoding="utf-8")
        return str(path)

    return write


def told(capsys, *words):
    """(exit status, standard output, standard error)"""
    status = main([str(w) for w in words])
    said = capsys.readouterr()
    return status, said.out, said.err


@pytest.mark.slow
def test_on_the_virtual_box_a_simulated_person_answers_and_the_session_says_so(capsys, tmp_path, bench):
    out = tmp_path / "s"
    words = ("run", "demo", "--on", "twin", "--short", "--by-hand", "--look", "labels", "--bench", bench(FEW))
    status, said, _ = told(capsys, *words, "--out", out, "--json")
    document = json.loads(said)
    assert status == 0
    assert document["facts"]["person"] == "simulated"
    assert [(q["number"], q["answer"]) for q in document["asked"]] == [
        (1, "read"), (2, "done"), (3, "done"), (4, "done"), (5, "done"),
    ]  # fmt: skip
    assert {"by hand cabin_red", "by hand deck_fwd", "label main"} <= set(document["tested"])
    assert "the bench profile gives no fixture that reaches it" in document["not_tested"]["by hand"]
    html = (out / "report.html").read_text(encoding="utf-8")
    assert "Asked of a person" in html and "read (No. 001042)" in html
    assert told(capsys, "judge", out)[1].count("asked of a person: 5 questions, 4 plain yes") == 1


@pytest.mark.slow
def test_unattended_a_plan_with_questions_runs_without_them_and_says_so(capsys, tmp_path):
    plan, out = tmp_path / "plan.json", tmp_path / "s"
    assert told(capsys, "plan", "demo", "--short", "--by-hand", "--look", "all,horn", "--out", plan)[0] == 0
    words = ("run", "demo", "--on", "twin", "--plan", plan, "--unattended", "--out", out, "--json")
    status, said, _ = told(capsys, *words)
    document = json.loads(said)
    assert status == 0
    assert document["facts"]["person"] == "none: unattended"
    assert document["not_tested"]["seen or heard horn"] == "left out: the run was declared unattended"
    assert document["not_tested"]["by hand"] == "left out: the run was declared unattended"
    assert "asked" not in document
    assert not any(isinstance(e, Asked) for e in open_session(out).entries())


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--by-hand", "--unattended"), "--unattended and --by-hand do not go together"),
        (("--look", "all", "--unattended"), "--unattended and --look do not go together"),
        (("--by-hand", "--plan", "x"), "--plan and --by-hand do not go together"),
        (("--look", "lamp"), "--look lamp: nothing of that name"),
        (("--answer-within", "0"), "0 is no number of seconds"),
    ],
)
def test_what_does_not_go_together_is_refused_before_anything_runs(capsys, tmp_path, words, said):
    out = tmp_path / "s"
    status, _, err = told(capsys, "run", "demo", "--on", "twin", "--out", out, *words)
    assert (status, said in err, out.exists()) == (2, True, False)


@pytest.mark.slow
def test_a_real_box_is_not_energised_when_nobody_is_there_to_answer(capsys, tmp_path):
    out = tmp_path / "s"
    words = ("run", "demo", "--on", "slcan:nowhere", "--short", "--by-hand", "--yes", "--out", out)
    status, _, err = told(capsys, *words)
    assert (status, out.exists()) == (2, False)
    assert "the plan asks a person, and nobody is at the terminal - leave out --by-hand, --look" in err
    assert "energises" not in err


def test_before_a_person_works_at_the_box_the_list_of_hazards_says_how():
    screen = io.StringIO()
    confirm(load_boat("demo").spec, yes=True, ask=screen, answer=io.StringIO(), hand_in_box=True)
    assert (
        "a person works at the live box: one hand, no rings or bracelets, one circuit at a"
        in screen.getvalue()
    )


@pytest.mark.slow
def test_a_plan_shows_how_long_it_has_circuits_with_a_limit_on(capsys, bench):
    limits = bench("limits: {circuits: {horn: 1, washdown: 45, cabin_heater: 30}}\n")
    _, said, _ = told(capsys, "plan", "demo", "--bench", limits)
    assert re.search(
        r"limits of this bench:\n"
        r"circuit       on at most  limit\n"
        r"------------  ----------  -----\n"
        r"horn          0\.6 s       1 s\n"
        r"washdown      41\.\d s      45 s\n"
        r"cabin_heater  \d\.\d s       30 s\n$",
        said,
    )
    document = json.loads(told(capsys, "plan", "demo", "--short", "--bench", limits, "--json")[1])
    assert document["limits"]["horn"]["limit_s"] == 1
    assert 0 < document["limits"]["horn"]["on_s"] < 1


@pytest.mark.slow
@pytest.mark.parametrize("words", [("plan", "demo"), ("run", "demo", "--on", "slcan:nowhere")])
def test_a_plan_that_exceeds_a_limit_is_refused_before_anybody_is_asked(capsys, bench, words):
    status, out, err = told(capsys, *words, "--short", "--bench", bench("limits: {circuits: {horn: 0.2}}\n"))
    assert (status, out) == (2, "")
    assert "the plan has horn on for up to" in err and "its limit is 0.2 s" in err
    assert "energises" not in err
