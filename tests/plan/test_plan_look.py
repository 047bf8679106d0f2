"""What a person is asked to look at: nothing that moves stays on, and all is off again."""

from dataclasses import replace

import pytest

from bench.core.errors import UsageError
from bench.core.look import bit_of, split
from bench.core.plan import Plan
from bench.lab.api import load_boat
from bench.oracle import Oracle
from bench.plan.by_hand import choose, leaders, with_by_hand, without_person
from bench.plan.look import parse_looks, with_looks
from bench.plan.sim import Sim
from bench.run.plan_file import load_plan, plan_text

BOATS = ["demo", "dunlin", "fulmar"]
EMPTY = Plan("empty", (), 300.0, not_tested={"trip": "not here"})
ALL = ("lamps", "backlights", "labels", "horn")
MOVES = ("motor", "relay", "resistive")


def spec_of(boat):
    return load_boat(boat).spec


def looked(boat, what=ALL, **more):
    return with_looks(spec_of(boat), EMPTY, what, **more)


def walked(spec, plan):
    """(step, the boat simulated up to it) for each step."""
    sim = Sim(Oracle(spec), spec)
    for step in plan.steps:
        sim.advance(step.at_ms)
        yield step, sim
        if step.kind != "look":
            sim.enact(step.kind, step.name, step.value)
    sim.advance(plan.duration_ms)
    yield None, sim


@pytest.mark.slow
@pytest.mark.parametrize("boat", BOATS)
def test_while_a_person_looks_nothing_is_on_that_moves_or_gets_hot_and_at_the_end_all_is_off(boat):
    spec = spec_of(boat)
    momentary = {c for f in spec.functions.values() if f.kind == "momentary" for c in f.circuits}
    for step, sim in walked(spec, looked(boat)):
        on = [c for c in spec.circuits.values() if sim.on(c.name) is not False]
        if step is not None and step.kind == "look":
            assert not [c.name for c in on if c.load in MOVES or c.auto_off or c.name in momentary]
        if step is None:
            assert on == []


@pytest.mark.slow
@pytest.mark.parametrize("boat", BOATS)
def test_every_key_lamp_is_seen_dark_and_lit_or_named_as_left_out(boat):
    spec, plan = spec_of(boat), looked(boat)
    for node in {c.name.rpartition(" ")[0] for c in spec.controls.values() if c.lamp is not None}:
        masks = [s.value for s in plan.steps if s.name == f"lamps {node}"]
        keys = [c.name for c in spec.controls.values() if c.lamp and c.name.startswith(f"{node} ")]
        assert masks[0] == 0
        left = " ".join(k for k in plan.not_tested if k.startswith(f"lit lamps of {node}, keys "))
        for key in keys:
            named = key.rpartition(" ")[2] in left.replace(",", "").split()
            assert bool(masks[1] & bit_of(key)) != named, key


def test_a_question_names_each_key_and_what_it_must_show():
    texts = [s.about for s in looked("demo", ("panel helm",)).steps if s.kind == "look"]
    skip = "Is it so? (Skip it where there is no panel helm on this bench.)"
    dark = "key 3 (horn), key 4 (wipers), key 5 (bilges),"
    assert texts == [
        f"Look at the keys of panel helm. Lit: none. Dark: key 1 (navigation), key 2 (deck), {dark} "
        f"key 6 (cabin_red), key 7 (washdown), key 8 (boarding). {skip}",
        "Look at the keys of panel helm. Lit: key 1 (navigation), key 2 (deck), key 6 (cabin_red), "
        f"key 8 (boarding). Dark: {dark} key 7 (washdown). {skip}",
    ]


def test_the_horn_sounds_once_after_the_person_said_ready():
    plan = looked("demo", ("horn",))
    assert [(s.kind, s.name) for s in plan.steps] == [
        ("look", "ready horn"),
        ("press", "panel helm 3"),
        ("release", "panel helm 3"),
        ("look", "seen or heard horn"),
    ]
    ready, press, release, _ = plan.steps
    assert "come on for 0.6 s, a second after you answer. Keep clear of it, protect your ears" in ready.about
    assert release.at_ms - press.at_ms <= 600.0
    assert plan.covered == ("seen or heard: seen or heard horn",)


def test_a_load_that_is_not_on_this_bench_is_not_listened_for():
    plan = looked("demo", ("horn",), unloaded={"horn"})
    assert (plan.steps, plan.not_tested["seen or heard horn"]) == ((), "no load on this bench")


def test_a_circuit_that_is_limited_stays_dark_while_a_person_looks():
    free = [s.value for s in looked("demo", ("panel helm",)).steps if s.name == "lamps panel helm"]
    held = [
        s.value
        for s in looked("demo", ("panel helm",), limited={"cabin_red": 5.0}).steps
        if s.name == "lamps panel helm"
    ]
    assert free[1] - held[1] >= bit_of("panel helm 6")


@pytest.mark.parametrize(
    ("word", "said"),
    [
        ("lamp", "--look lamp: nothing of that name"),
        ("panel nav", "--look panel nav: nothing of that name"),
        ("sidelights", "--look sidelights: no key works this circuit alone"),
    ],
)
def test_what_cannot_be_looked_at_is_refused(word, said):
    with pytest.raises(UsageError, match=said):
        looked("demo", (word,))


def test_words_are_separated_by_commas_and_count_once():
    words = parse_looks(["all, horn", "lamps", "panel helm,"])
    assert words == ("lamps", "backlights", "labels", "horn", "panel helm")


@pytest.mark.parametrize("words", [[""], [" , "], ["lamps", ""]])
def test_a_look_at_nothing_is_refused(words):
    with pytest.raises(
        UsageError, match="--look names nothing - expected lamps, backlights, labels, all, a panel"
    ):
        parse_looks(words)


def test_a_plan_with_questions_is_written_and_read_back(tmp_path):
    spec = spec_of("demo")
    plan = with_looks(spec, with_by_hand(spec, EMPTY), ALL)
    path = tmp_path / "plan.json"
    path.write_text(plan_text(plan), encoding="utf-8")
    assert load_plan(path, spec) == plan
    wrong = plan_text(plan).replace('"lamps panel helm"', '"lamps panel nav"')
    path.write_text(wrong, encoding="utf-8")
    with pytest.raises(UsageError, match="the spec has no look 'lamps panel nav'"):
        load_plan(path, spec)


def test_unattended_it_ends_before_the_first_question_and_names_what_is_left_out():
    spec = spec_of("demo")
    whole = with_looks(spec, with_by_hand(spec, EMPTY), ALL)
    left = without_person(whole, "nobody is there")
    assert (left.steps, left.covered) == ((), ())
    assert {k for k, why in left.not_tested.items() if why == "nobody is there"} == {
        "by hand", "lamps panel helm", "lamps screen helm", "backlight panel helm", "seen or heard horn",
        "label main",
    }  # fmt: skip
    assert left.not_tested["trip"] == "not here"
    assert without_person(EMPTY) is EMPTY


@pytest.mark.parametrize("boat", BOATS)
def test_after_by_hand_a_key_works_the_circuit_on_and_off_where_nothing_moves_with_it(boat):
    spec = spec_of(boat)
    plan = with_by_hand(spec, EMPTY)
    worked, on_after = set(), set()
    now = ""
    for step, sim in walked(spec, plan):
        if step is not None and step.kind == "by_hand":
            now = step.name if not step.value else ""
            worked.add(step.name)
        if now and sim.on(now) is True and step is not None and step.kind == "release":
            on_after.add(now)
        on = [c for c in spec.circuits.values() if sim.on(c.name) is not False]
        assert not [c.name for c in on if c.load in ("motor", "relay")]
        if step is not None and step.kind == "by_hand" and step.value:
            assert on == []
    without_a_key = {"demo": set(), "dunlin": {"sidelights"}, "fulmar": set()}
    assert worked - on_after == without_a_key[boat]
    named = plan.not_tested.get("control after by hand", "").partition(":")[0]
    assert set(filter(None, named.split(", "))) == without_a_key[boat]


@pytest.mark.slow
@pytest.mark.parametrize("boat", [*BOATS, "turnstone", "greenshank", "dotterel"])
def test_a_circuit_that_is_put_back_must_be_off_as_the_question_says(boat):
    spec = spec_of(boat)
    plan = with_by_hand(spec, EMPTY)
    back = ""
    for step, sim in walked(spec, plan):
        if back:
            assert sim.on(back) is False, back
        is_back = step is not None and step.kind == "by_hand" and not step.value
        back = step.name if is_back else ""
        if is_back:
            assert "It must then be off. Is it?" in step.about
    assert all(sim.on(c) is False for c in spec.circuits)


def test_by_hand_asks_only_for_circuits_that_a_person_can_get_at():
    choice = choose(spec_of("demo"), reached={"cabin_red", "horn"})
    assert [c.name for c in choice.circuits] == ["cabin_red"]
    assert choice.left_out["deck_fwd"] == "the bench profile gives no fixture that reaches it"
    assert choice.left_out["horn"] == "nothing would bound how long it runs"


def test_by_hand_leaves_out_what_would_make_something_else_move():
    left = choose(spec_of("greenshank")).left_out
    assert left["galley_light"] == "galley_fan would run with it while a hand is in the box"
    assert "companion_light" not in left


def test_what_moves_is_found_through_a_chain_of_followers():
    spec = spec_of("dotterel")
    circuits = {**spec.circuits, "chart_light": replace(spec.circuits["chart_light"], load="motor")}
    assert leaders(replace(spec, circuits=circuits))["sonar"] == "chart_light"
    assert "sonar" not in leaders(spec)


def test_a_circuit_without_a_load_is_not_asked_to_be_seen():
    plan = with_by_hand(spec_of("demo"), EMPTY, reached={"cabin_red"}, unloaded={"cabin_red"})
    asked = [s.about for s in plan.steps if s.kind == "by_hand"]
    assert all(text.endswith("There is no load to look at. Is it done?") for text in asked)


def test_the_names_of_looks_are_told_apart():
    assert split("seen or heard horn") == ("seen or heard ", "horn")
    assert split("lamps panel helm") == ("lamps ", "panel helm")
    assert split("cabin_red") == ("", "cabin_red")
