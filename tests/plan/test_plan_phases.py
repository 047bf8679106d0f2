"""Phases of the full plan: panels, screens and sensors that fall silent; keys pressed at a stroke."""

import json
from dataclasses import replace

import pytest
from strokes import strokes

from bench.core.errors import UsageError
from bench.core.plan import Step
from bench.core.verdict import FAIL, INCONCLUSIVE, PASS
from bench.data import BOATS
from bench.evidence.plan_claims import Claims
from bench.evidence.plan_order import Reach, near_an_end, too_close
from bench.evidence.plan_played import Played, steps_of
from bench.lab.api import boat_tables, load_boat, run_virtual
from bench.plan import make_plan
from bench.plan.weaver import Weaver
from bench.run.api import Wishes
from bench.run.plan_file import load_plan, plan_text
from bench.twin import Fault

LOSSES = [
    ("kittiwake", "loss_ignored", "panel helm"), ("kittiwake", "loss_time_wrong", "screen helm/2"),
    ("dunlin", "loss_momentary_flipped", "panel nav"), ("fulmar", "loss_dim_flipped", "panel wheel"),
    ("fulmar", "loss_others_flipped", "screen bridge"), ("dunlin", "loss_sensor_wrong", "input 2/hold"),
]  # fmt: skip


@pytest.fixture(scope="module", params=BOATS)
def planned(request):
    boat = load_boat(request.param)
    return request.param, boat.spec, make_plan(boat.spec)


def without(plan, spec, word):
    """The plan that there would be without the jobs of that word."""
    weaver = Weaver(spec, seed=0, supply=False, only=(), first=None)
    titles = frozenset(j.title for j in weaver.weave().jobs if j.title.split()[0] == word)
    assert titles
    woven = weaver.weave(left_out=titles)
    return replace(plan, steps=tuple(woven.steps), duration_ms=woven.end_ms)


def tags(plan, word):
    return {t for s in plan.steps for t in s.covers if t.split()[0] == word}


# -- losses
def test_everything_that_can_be_lost_is_lost_and_heard_again(planned):
    _, spec, plan = planned
    nodes = [f"{n.kind} {n.name}" for n in (*spec.panels.values(), *spec.screens.values()) if n.lost]
    sensors = [s for s in spec.sensors.values() if s.lost]
    nodes += {f"sensors {s.box}" for s in sensors}
    nodes += {f"sensors {s.box}" for s in sensors if s.lost.sensor == "hold"}  # once active, once at rest
    silent = [s for s in plan.steps if s.kind == "silent"]
    assert sorted(s.name for s in silent if s.value) == sorted(nodes)
    assert sorted(s.name for s in silent if not s.value) == sorted(nodes)
    for s in sensors:
        ways = {t for t in tags(plan, "lost") if t.startswith(f"lost sensor {s.name} ")}
        assert len(ways) == (2 if s.lost.sensor == "hold" else 1), ways
    assert "loss of a panel, screen or sensor" not in plan.not_tested
    rules = {t.rpartition(" ")[2] for t in tags(plan, "lost")}
    assert len(rules - {"back"}) >= 2


def test_a_silence_lasts_until_the_loss_was_proven_and_no_longer(planned):
    _, spec, plan = planned
    respond = max(b.respond_ms for b in spec.boxes.values())
    for n, step in enumerate(plan.steps):
        if step.kind != "silent" or not step.value:
            continue
        kind, _, own = step.name.partition(" ")
        if kind == "sensors":
            after = max(s.lost.after_ms for s in spec.sensors.values() if s.box == own and s.lost)
        else:
            after = (spec.panels if kind == "panel" else spec.screens)[own].lost.after_ms
        ends = next(s.at_ms for s in plan.steps[n:] if (s.kind, s.name, s.value) == ("silent", step.name, 0))
        assert after + respond + 150 <= ends - step.at_ms <= after + 1500


def test_what_may_be_a_horn_is_not_held_until_its_panel_is_lost(planned):
    _, spec, plan = planned
    horns = {"horn", "siren"} & set(spec.circuits)
    said = plan.not_tested.get("keys held as their panel is lost", "")
    keys = [c.name for c in spec.controls.values() if horns & set(spec.functions[c.function].circuits)]
    assert keys
    assert all(f"{k}" in said for k in keys)
    assert not any(h in t for h in horns for t in tags(plan, "lost"))


@pytest.mark.slow
@pytest.mark.parametrize(("name", "kind", "argument"), LOSSES)
def test_a_box_that_takes_losses_wrong_is_found_and_was_not_without_them(name, kind, argument):
    spec = load_boat(name).spec
    plan, fault = make_plan(spec), (Fault(kind, argument),)
    bare = without(plan, spec, "lost")
    assert tags(plan, "lost") and not tags(bare, "lost")
    assert run_virtual(name, faults=fault, wishes=Wishes(plan=plan)).verdict.outcome == FAIL
    assert run_virtual(name, faults=fault, wishes=Wishes(plan=bare)).verdict.outcome == PASS


@pytest.mark.slow
def test_losses_closer_than_a_box_tells_apart_are_no_fault_of_it_and_what_a_sensor_said_before_says_nothing():
    """Dunlin waits for presses to last; its bilge pump runs by a lost float, and hangs on the screen, too."""
    rows = ((1000.0, "sensors main", 1), (2033.0, "screen nav", 1), (5620.0, "sensors main", 0))
    steps = tuple(Step(at, "silent", name, value) for at, name, value in (*rows, (5720.0, "screen nav", 0)))
    plan = replace(make_plan(load_boat("dunlin").spec, short=True), steps=steps, duration_ms=7000.0)
    for seed in range(3):
        verdict = run_virtual("dunlin", seed=seed, wishes=Wishes(plan=plan)).verdict
        assert (verdict.outcome, verdict.discrepancies) == (INCONCLUSIVE, ())
        assert any("closer than it tells apart" in doubt.reason for doubt in verdict.doubts)


@pytest.mark.slow
def test_a_run_stopped_during_a_silence_ends_it_and_switches_off():
    from bench.run.stop import StopFlag

    stop, after = StopFlag(), []

    def watch(_at_ms, _total_ms, text):
        if after or text.startswith("panel helm silent"):
            after.append(text)
        if len(after) > 1:
            stop.set("interrupted")

    result = run_virtual("demo", stop=stop, progress=watch)
    assert (result.reason, result.verdict.discrepancies) == ("interrupted", ())
    assert result.off.all_off, result.off.text()


# -- keys at a stroke
def test_a_stroke_is_of_keys_that_have_nothing_to_do_with_each_other(planned):
    _, spec, plan = planned
    found = strokes(plan)
    assert len(found) == 2
    reach = Reach(spec)
    for presses, releases in found:
        rows = [plan.steps[n] for n in presses]
        assert len(rows) > 3 and rows[-1].at_ms - rows[0].at_ms <= 100
        reached = [reach.of(s) for s in rows]
        assert all(a.isdisjoint(b) for i, a in enumerate(reached) for b in reached[:i])
        assert len(releases) == len(presses)
    began, ended = plan.steps[found[0][0][0]].at_ms, plan.steps[found[1][1][-1]].at_ms
    assert ended - began <= 2000


@pytest.mark.slow
@pytest.mark.parametrize("name", BOATS[:1])
def test_a_box_that_drops_what_comes_close_is_found_by_strokes_alone(name):
    spec = load_boat(name).spec
    plan = make_plan(spec)
    bare = without(plan, spec, "burst")

    def outcome(plan, ms):
        fault = (Fault("drops_second_press", f"{ms}"),)
        return run_virtual(name, faults=fault, wishes=Wishes(plan=plan)).verdict.outcome

    assert [outcome(plan, ms) for ms in (20, 6, 4.9)] == [FAIL, FAIL, PASS]
    assert outcome(bare, 20) == PASS
    assert "presses closer together, long sequences" not in plan.not_tested


# -- the checkers apart
@pytest.fixture(scope="module")
def demo():
    spec = load_boat("demo").spec
    return spec, json.loads(plan_text(make_plan(spec)))


def judged(spec, plan, steps):
    played = Played(spec, boat_tables("demo"), steps, plan["duration_ms"])
    claims = Claims(spec, steps, played, plan["duration_ms"])
    wrong = [t for t in claims.wrong if " lost " in t or " burst " in t]
    return wrong, [*too_close(spec, steps), *near_an_end(spec, steps, played)]


@pytest.mark.slow
def test_the_checkers_find_nothing_wrong_with_the_phases(demo):
    spec, plan = demo
    assert judged(spec, plan, steps_of(plan)) == ([], [])


def spoilt(plan, change):
    rows = json.loads(json.dumps(plan))
    change(rows["steps"])
    rows["steps"].sort(key=lambda s: s["at_ms"])
    return steps_of(rows)


def of_silence(steps, name, value):
    return next(s for s in steps if (s["kind"], s["name"], s["value"]) == ("silent", name, value))


@pytest.mark.slow
def test_a_silence_that_is_too_short_covers_nothing(demo):
    spec, plan = demo

    def shorten(steps):
        of_silence(steps, "panel helm", 0)["at_ms"] = of_silence(steps, "panel helm", 1)["at_ms"] + 1400

    wrong, _ = judged(spec, plan, spoilt(plan, shorten))
    assert (
        sum("lost panel helm" in t for t in wrong) == len([t for t in tags_of(plan) if "panel helm" in t]) - 1
    )


@pytest.mark.slow
def test_a_key_let_go_before_the_loss_covers_nothing_of_it(demo):
    spec, plan = demo

    def let_go(steps):
        silent = of_silence(steps, "panel helm", 1)
        at = steps.index(silent)
        held = next(
            s for s in reversed(steps[:at]) if s["kind"] == "press" and s["name"].startswith("panel helm")
        )
        release = next(s for s in steps[at:] if (s["kind"], s["name"]) == ("release", held["name"]))
        release["at_ms"] = silent["at_ms"] - 40.0

    wrong, _ = judged(spec, plan, spoilt(plan, let_go))
    assert any("lost panel helm momentary" in t for t in wrong)


@pytest.mark.slow
def test_a_stimulus_at_the_moment_of_a_loss_and_a_key_of_what_is_silent_are_noticed(demo):
    spec, plan = demo

    def late_release(steps):
        silent = of_silence(steps, "panel helm", 1)
        row = {"at_ms": silent["at_ms"] + 1500 + 20, "kind": "press", "name": "screen helm 31"}
        row |= {"value": 1, "about": "", "covers": []}
        steps += [row, row | {"at_ms": row["at_ms"] + 150.0, "kind": "release", "value": 0}]

    _, undefined = judged(spec, plan, spoilt(plan, late_release))
    assert any("panel helm is lost at" in t for t in undefined)

    def heard(steps):
        at_ms = of_silence(steps, "panel helm", 1)["at_ms"] + 700.0
        row = {"at_ms": at_ms, "kind": "press", "name": "panel helm 9", "value": 1, "about": "", "covers": []}
        steps += [row, row | {"at_ms": at_ms + 150.0, "kind": "release", "value": 0}]

    _, undefined = judged(spec, plan, spoilt(plan, heard))
    assert sum("panel helm 9 is silent" in t for t in undefined) == 2


@pytest.mark.slow
def test_keys_that_are_no_longer_close_are_no_stroke(demo):
    spec, plan = demo

    def spread(steps):
        first = next(s["at_ms"] for s in steps if any(t.startswith("burst ") for t in s["covers"]))
        for s in steps:
            s["at_ms"] += (
                15.0 * max(0, round((s["at_ms"] - first) / 5.0)) if s["at_ms"] - first < 36 else 200.0
            )

    wrong, _ = judged(spec, plan, spoilt(plan, spread))
    assert sum(" burst " in t for t in wrong) >= 8


def tags_of(plan):
    return [t for s in plan["steps"] for t in s["covers"] if t.startswith("lost ")]


# -- as a file
def test_a_plan_file_that_presses_what_is_silent_or_stays_silent_is_refused(tmp_path, demo):
    spec, _ = demo
    path = tmp_path / "plan.json"
    silent = Step(1000.0, "silent", "panel helm", 1)
    rows = [silent, Step(1200.0, "press", "panel helm 1", 1), Step(1400.0, "release", "panel helm 1", 0)]
    made = make_plan(spec)
    path.write_text(plan_text(replace(made, steps=tuple(rows), duration_ms=2000.0)))
    with pytest.raises(UsageError) as caught:
        load_plan(path, spec)
    said = [c.text for c in caught.value.complaints]
    assert any("step 1 is a press of panel helm 1, which is silent then" in text for text in said)
    assert any("panel helm stays silent at the end" in text for text in said)
    path.write_text(
        plan_text(replace(made, steps=(Step(0.0, "silent", "panel nav", 1),), duration_ms=2000.0))
    )
    with pytest.raises(UsageError) as caught:
        load_plan(path, spec)
    assert "the spec has no silent 'panel nav'" in str(caught.value.complaints[0].text)
    path.write_text(plan_text(made))
    assert load_plan(path, spec) == made
