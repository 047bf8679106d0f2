"""What plans of random boats once got wrong, on small specs: walks, claims, shared keys, ends of timers."""

from itertools import pairwise
from pathlib import Path

import pytest

from bench.oracle import Oracle
from bench.plan import make_plan
from bench.plan.desk import Desk
from bench.plan.jobs import tours
from bench.plan.pace import Pace
from bench.plan.sim import Sim
from bench.spec import load_spec
from bench.spec.loader import parse_spec

ROOT = Path(__file__).parents[2]
HEAD = (ROOT / "tests" / "golden" / "base.yaml").read_text(encoding="utf-8")


def plan_of(text, head=HEAD):
    spec = parse_spec(head + text).spec
    return spec, make_plan(spec)


def claims(plan, part):
    return [s for s in plan.steps if any(part in tag for tag in s.covers)]


@pytest.mark.slow
def test_a_walk_by_pairs_never_jumps():
    spec = load_spec(ROOT / "bench" / "data" / "dotterel.yaml").spec
    model = Oracle(spec)
    desk = Desk(spec, Sim(model, spec), Pace.of(spec), short=False, seed=0)
    walks = [t.moves for t in tours(desk, model) if t.pairs]
    assert walks
    assert all(a.head == b.tail for moves in walks for a, b in pairwise(moves))


def test_letting_go_of_a_key_is_no_refused_press():
    _, plan = plan_of("""
circuits: {a: {channel: 1, load: led, rated_a: 1}, b: {channel: 2, load: led, rated_a: 2}}
functions: {hold: {momentary: a}}
controls: {panel p: {1: hold, 2: b}}
rules: [{inhibit: a, by: [b], sees: output}]
""")
    refused = claims(plan, "inhibit a by b refused")
    assert {s.kind for s in refused} == {"press"}


def test_a_scene_that_never_stands_is_not_said_to_be_pressed_again():
    text = """
circuits:
  a: {channel: 1, load: led, rated_a: 1}
  b: {channel: 2, load: led, rated_a: 2}
  c: {channel: 3, load: led, rated_a: 4}
functions: {calm: {scene: {a: 0, b: 100, c: 100}, again: off}}
controls: {panel p: {1: calm, 2: a, 3: b, 4: c}}
"""
    _, plan = plan_of(text)
    assert claims(plan, "scene calm again")
    _, plan = plan_of(text + "rules: [{follow: a, sources: [b], release: keep, sees: output}]\n")
    assert claims(plan, "scene calm again") == []  # b brings a along, so it never stands
    assert claims(plan, "scene calm applied")


def test_a_scene_that_only_switches_off_is_applied_and_not_pressed_again():
    _, plan = plan_of("""
circuits: {a: {channel: 1, load: led, rated_a: 1}, b: {channel: 2, load: led, rated_a: 2}}
functions: {calm: {scene: {a: 0, b: 100}, again: off}, both: {group: [a, b], part_on: all_off}}
controls: {panel p: {1: calm, 2: a, 3: b, 4: both}}
""")
    lit: set[str] = set()
    for step in plan.steps:  # what is on, as the plan's own words say it
        if "scene calm again" in step.covers:
            assert ": b on, then" in step.about
            lit.add(step.about)
    assert lit


def test_a_key_that_reaches_a_dimmer_waits_until_its_script_is_over():
    dim = "{min_pct: 5, hold_ms: 500, range_s: 6, range_tol_pct: 10, memory: none, "
    dim += "direction: down, at_end: turn}"
    spec, plan = plan_of(f"""
circuits:
  m: {{channel: 1, load: led, rated_a: 1}}
  d: {{channel: 2, load: led, rated_a: 2, dim: {dim}}}
functions:
  hold: {{momentary: m}}
  lit: {{on: [m]}}
  dark: {{off: [m, d]}}
  calm: {{scene: {{m: 100}}, again: reapply}}
controls: {{panel p: {{1: hold, 2: lit, 3: dark, 4: calm, 5: d}}}}
""")
    down = False
    for step in plan.steps:
        if step.name == "panel p 5":
            down = step.kind == "press"
        elif step.kind == "press" and step.name == "panel p 3":
            assert not down, step
    assert claims(plan, "dim d hold")
    assert spec.functions["dark"].members == ("m", "d")


def test_short_presses_of_dimmers_stay_short_however_much_else_is_held():
    dim = "dim: {min_pct: 5, hold_ms: 450, range_s: 2, range_tol_pct: 10, memory: none, "
    dim += "direction: down, at_end: turn}"
    lines = ["circuits:"]
    lines += [f"  d{n}: {{channel: {n}, load: led, rated_a: 1, {dim}}}" for n in range(1, 9)]
    lines += [f"  m{n}: {{channel: {n}, load: led, rated_a: 1}}" for n in range(11, 21)]
    lines += ["functions:", *(f"  hold{n}: {{momentary: m{n}}}" for n in range(11, 21))]
    lines += ["controls:", "  panel p:"]
    lines += [f"    {n}: d{n}" for n in range(1, 9)]
    lines += [f"    {n}: hold{n}" for n in range(11, 21)]
    spec, plan = plan_of("\n".join(["", *lines, ""]), HEAD.replace("resolves_ms: 30", "resolves_ms: 120"))
    down, spans = {}, []
    for step in plan.steps:
        if step.kind == "press":
            down[step.name] = step.at_ms
        elif step.kind == "release" and int(step.name.split()[-1]) < 10:
            spans.append(step.at_ms - down[step.name])
    respond = spec.boxes["main"].respond_ms
    assert spans
    assert [ms for ms in spans if abs(ms - 450) <= respond] == []


def test_nothing_is_done_just_after_a_timer_may_have_ended():
    sim_spec = parse_spec(
        HEAD
        + """
circuits: {a: {channel: 1, load: led, rated_a: 1, auto_off: {after_s: 3, tolerance_s: 0.5}}}
controls: {panel p: {1: a}}
"""
    ).spec
    sim = Sim(Oracle(sim_spec), sim_spec)
    sim.enact("press", "panel p 1", 1)
    sim.advance(120.0)
    sim.enact("release", "panel p 1", 0)
    ((_, latest_ms),) = sim.due_ms([0])
    assert sim.ended_ms(0) < 0
    sim.advance(latest_ms + 20.0)
    assert sim.ended_ms(0) == latest_ms


def test_the_guard_of_a_timer_is_as_wide_as_what_the_box_resolves():
    text = "\ncircuits: {a: {channel: 1, load: led, rated_a: 1}}\ncontrols: {panel p: {1: a}}\n"
    wide = HEAD.replace("resolves_ms: 30", "resolves_ms: 200")
    assert Pace.of(parse_spec(HEAD + text).spec).guard == 100.0
    assert Pace.of(parse_spec(wide + text).spec).guard == 200.0
