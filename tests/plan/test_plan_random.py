"""Plans of random specs: their claims hold, nothing is of undefined order, and a healthy box passes."""

import json
from dataclasses import replace

import pytest

from bench.core.verdict import PASS
from bench.evidence.plan_claims import CHECKS, Claims
from bench.evidence.plan_played import Played, steps_of
from bench.evidence.planning import checked, run, trial
from bench.evidence.random_shapes import draw
from bench.evidence.random_spec import spec_text
from bench.rules import run_rules
from bench.spec.loader import parse_spec

# specs on which something was once found wrong, and large ones
SAMPLE = [(12, 6), (28, 7), (117, 12), (108, 15), (32, 16), (119, 4), (63, 45)]
# a dimmer's short press behind keys that are let go first; a supply, and an off key, near a timer's end
DISORDERED = [(101, 29), (166, 37), (104, 20), (183, 19)]


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "channels"), SAMPLE)
def test_a_random_plan_is_what_it_says_and_a_healthy_box_passes_it(seed, channels):
    made = trial(seed, channels)
    found, verdict = checked(made), run(made, seed)
    assert (found.wrong, found.unread, found.undefined, found.missed) == ([], [], [], [])
    assert found.held > 100
    assert (verdict.outcome, list(verdict.discrepancies), list(verdict.doubts)) == (PASS, [], [])


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "channels"), DISORDERED)
def test_nothing_is_of_undefined_order_where_it_once_was(seed, channels):
    assert checked(trial(seed, channels, first_control=0)).undefined == []


@pytest.mark.slow
def test_no_key_is_let_go_about_when_a_panel_of_its_cluster_is_lost():
    made = trial(24, 43)  # its box waits for presses to last: what comes close has no order
    assert run(made, 24).outcome == PASS


@pytest.mark.slow
def test_a_group_of_twelve_is_planned():
    made = trial(3, 48, widest_group=12)
    found = checked(made)
    assert max(len(t["circuits"]) for t in made.plan["toured"]) >= 12
    assert (found.wrong, found.undefined, found.missed) == ([], [], [])


def test_the_sample_holds_every_behaviour():
    boats = [draw(seed, channels) for seed, channels in SAMPLE]
    specs = [parse_spec(spec_text(b)).spec for b in boats]
    kinds = {f.kind for s in specs for f in s.functions.values()}
    assert kinds == {"toggle", "momentary", "cycle", "group", "scene", "on", "off"}
    circuits = [c for s in specs for c in s.circuits.values()]
    assert all(any(getattr(c, part) for c in circuits) for part in ("dim", "trip", "auto_off"))
    functions = [f for s in specs for f in s.functions.values()]
    assert any(f.dim_together for f in functions)
    assert {(f.position, bool(f.reset and f.reset.after_s)) for f in functions if f.positions} == {
        ("derived", False), ("counter", False), ("counter", True),
    }  # fmt: skip
    assert all(any(getattr(s, rules) for s in specs) for rules in RULES)
    assert {b.wake.by for s in specs for b in s.boxes.values()} == {"supply", "message"}


RULES = ("forces", "follows", "inhibits", "wakes", "backlights", "outside")


def test_random_specs_are_without_fault():
    for seed in range(20):
        spec = parse_spec(spec_text(draw(seed, 4 + 2 * seed))).spec
        faults = [c.text for c in run_rules(spec) if c.severity == "error"]
        assert faults == [], seed


@pytest.fixture(scope="module")
def made():
    return trial(45, 21)


def changed(made, change):
    """The same plan with its steps changed, checked."""
    plan = json.loads(json.dumps(made.plan))
    change(plan["steps"])
    return checked(replace(made, plan=plan))


def tag_of(made, part):
    return next(n for n, s in enumerate(made.plan["steps"]) if any(part in t for t in s["covers"]))


@pytest.mark.slow
def test_claims_of_each_kind_are_refused_on_other_steps():
    large = trial(10, 40)
    steps = steps_of(large.plan)
    end_ms = large.plan["duration_ms"]
    played = Played(large.spec, large.tables, steps, end_ms)
    covers = [s.covers for s in steps]
    moved = [replace(s, covers=c) for s, c in zip(steps, covers[-150:] + covers[:-150], strict=True)]
    wrong = Claims(large.spec, moved, played, end_ms).wrong
    kinds = {text.split(" ms: ")[1].split()[0] for text in wrong}
    assert kinds == set(CHECKS) - {"scenario"}  # random boats have none
    assert len(wrong) > sum(len(c) for c in covers) / 3


@pytest.mark.slow
def test_stimuli_too_close_are_noticed(made):
    control = made.plan["steps"][0]["name"]

    def crowd(steps):
        n = next(n for n, s in enumerate(steps) if (s["kind"], s["name"]) == ("release", control))
        steps[n]["at_ms"] = steps[0]["at_ms"] + 20.0
        steps.sort(key=lambda s: s["at_ms"])

    assert any("20.0 ms apart" in text for text in changed(made, crowd).undefined)


@pytest.mark.slow
def test_a_press_near_a_timers_end_is_noticed(made):
    circuit = next(c for c in made.spec.circuits.values() if c.auto_off)
    n = tag_of(made, f"auto-off {circuit.name}")
    control = next(
        c.name
        for c in made.spec.controls.values()
        if made.spec.functions[c.function].circuits == (circuit.name,)
    )
    steps = steps_of(made.plan)
    played = Played(made.spec, made.tables, steps, made.plan["duration_ms"])
    ended = next(t for t, level in played.stored(circuit.name) if level <= 0 and t > steps[n].at_ms)

    def press(steps):
        row = {"at_ms": ended + 5.0, "kind": "press", "name": control, "value": 1, "about": "", "covers": []}
        steps += [row, row | {"at_ms": ended + 150.0, "kind": "release", "value": 0}]
        steps.sort(key=lambda s: s["at_ms"])

    assert any("timer's end" in text for text in changed(made, press).undefined)


@pytest.mark.slow
def test_a_transition_that_is_left_out_is_noticed(made):
    keys = {c.name for c in made.spec.controls.values() if made.spec.functions[c.function].kind == "group"}

    def leave_out(steps):
        steps[:] = [s for s in steps if s["name"] not in keys]

    assert changed(made, leave_out).missed != []
