"""The simple plan of the three boats, recounted from its steps alone: nothing here uses bench.plan but
make_plan. What each press does is asked of the reference model, stepped by code of this file."""

from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import pytest
from strokes import apart

from bench.core.event import Event
from bench.core.plan import Plan, Step
from bench.lab.api import load_boat, run_virtual
from bench.oracle import Oracle
from bench.plan import make_plan
from bench.run.api import Wishes
from bench.spec import load_spec
from bench.spec.model import Spec
from bench.twin import Fault

DATA = Path(__file__).parents[2] / "bench" / "data"
BOATS = ("kittiwake", "dunlin", "fulmar", "turnstone", "greenshank", "dotterel")

MS = 1_000_000


@pytest.fixture(scope="module", params=BOATS)
def boat(request):
    spec = load_spec(DATA / f"{request.param}.yaml").spec
    return spec, make_plan(spec, supply=True)


@pytest.fixture(scope="module", params=BOATS[:3])
def short(request):
    spec = load_spec(DATA / f"{request.param}.yaml").spec
    return spec, make_plan(spec, short=True)


@dataclass
class Replay:
    """The plan's steps through the model, with every output at every instant at which something happens."""

    spec: Spec
    plan: Plan
    history: list = field(default_factory=list)  # (ms, {circuit: (lo, hi)}, step index or None)
    dues: list = field(default_factory=list)  # (lo ms, hi ms, cluster, ms at which it was foreseen)

    def __post_init__(self):
        self.oracle = Oracle(self.spec)
        self.states = [[self.oracle.rest(k)] for k in range(len(self.oracle.clusters))]
        self.show(0.0, None)
        losses = []
        for i, step in enumerate(self.plan.steps):
            for at, name, _ in sorted(row for row in losses if row[0] <= step.at_ms):
                self.until(at)
                self.do(Step(at, "lost", name, 1))
                self.show(at, None)
            losses = [row for row in losses if row[0] > step.at_ms]
            self.until(step.at_ms)
            if step.kind == "silent":
                losses = [row for row in losses if row[2] != step.name]
                after = [(n, ms) for n, ms in self.silences(step.name) if ms is not None]
                losses += [(step.at_ms + ms, n, step.name) for n, ms in after if step.value]
                for name, _ in after if not step.value else ():
                    self.do(Step(step.at_ms, "lost", name, 0))
            else:
                self.do(step)
            self.show(step.at_ms, i)
        self.until(self.plan.duration_ms)
        self.show(self.plan.duration_ms, None)

    def silences(self, sender):
        kind, _, own = sender.partition(" ")
        if kind == "sensors":
            mine = [s for s in self.spec.sensors.values() if s.box == own]
            return [(f"sensor {s.name}", s.lost and s.lost.after_ms) for s in mine]
        node = (self.spec.panels if kind == "panel" else self.spec.screens)[own]
        return [(sender, node.lost and node.lost.after_ms)]

    def do(self, step):
        kind, names, value = step.kind, [step.name], step.value
        if kind == "wait":
            if not step.value:
                return
            kind = "wake"
        elif kind == "wake" and not step.name:
            names = [b.name for b in self.spec.boxes.values() if b.wake.by == "message"]
        for name in names:
            event = Event(round(step.at_ms * MS), kind, name, value)
            for k, cause in self.oracle.route(event, self.states):
                self.states[k] = [n for s in self.states[k] for n in self.oracle.step(k, s, cause)]

    def until(self, ms):
        while True:
            due = [
                (hi / MS, k, i, lo / MS)
                for k, states in enumerate(self.states)
                for i, s in enumerate(states)
                if (d := self.oracle.next_due(k, s)) is not None
                for lo, hi in [d]
                if hi <= ms * MS
            ]
            if not due:
                return
            at, k, i, lo = min(due)
            self.dues.append((lo, at, k))
            old = self.states[k].pop(i)
            self.states[k] += self.oracle.fire(k, old)
            self.show(at, None)

    def show(self, ms, index):
        t_ns = round(ms * MS)
        now = {}
        for k, names in enumerate(self.oracle.clusters):
            for j, name in enumerate(names):
                spans = [self.oracle.courses(k, s)[j].span(t_ns, t_ns) for s in self.states[k]]
                now[name] = min(s[0] for s in spans), max(s[1] for s in spans)
        self.history.append((ms, now, index))

    def clusters_of(self, step):
        control = self.spec.controls.get(step.name)
        if control is not None:
            names = self.spec.functions[control.function].circuits
        elif step.kind == "sensor":
            names = [f.circuit for f in self.spec.forces if f.sensor == step.name]
        else:
            return frozenset()
        return frozenset(self.oracle.circuit_cluster[n] for n in names)


@pytest.fixture(scope="module")
def replay(boat):
    return Replay(*boat)


def tags(plan):
    return {t for s in plan.steps for t in s.covers}


def test_every_press_is_released_and_no_key_is_held_twice(boat):
    _, plan = boat
    held = {}
    for step in plan.steps:
        if step.kind == "press":
            assert step.name not in held
            held[step.name] = step.at_ms
        elif step.kind == "release":
            assert step.at_ms - held.pop(step.name) >= 120
    assert held == {}


def test_steps_are_in_order_and_stimuli_lie_at_least_60_ms_apart(boat):
    _, plan = boat
    at = apart(plan)
    assert all(b - a >= 60 - 1e-6 for a, b in pairwise(at))
    assert [s.at_ms for s in plan.steps] == sorted(s.at_ms for s in plan.steps)
    assert plan.duration_ms > at[-1]


def test_what_shares_a_cluster_is_far_enough_apart_to_be_proven(boat, replay):
    """A change is provable only if it lasts W = L + A + J (how a verdict is reached): respond_ms + 150 ms."""
    spec, plan = boat
    least = max(b.respond_ms for b in spec.boxes.values()) + 150
    last = {}
    for step in plan.steps:
        clusters = replay.clusters_of(step)
        if step.kind in ("press", "sensor"):
            assert all(step.at_ms - last.get(k, -1e9) >= least for k in clusters), step
        if step.kind in ("press", "sensor"):
            last |= dict.fromkeys(clusters, step.at_ms)


def test_no_stimulus_lies_near_a_timers_end_or_the_beginning_of_a_ramp(boat, replay):
    _, plan = boat
    for step in plan.steps:
        if step.kind not in ("press", "release", "sensor"):
            continue
        for lo, hi, k in replay.dues:
            if k in replay.clusters_of(step) and hi - lo > 0:
                assert not lo - 90 < step.at_ms < hi + 90, (step, lo, hi)


def test_presses_are_surely_short_or_surely_held(boat):
    spec, plan = boat
    pressed = {}
    for step in plan.steps:
        if step.kind == "press":
            pressed[step.name] = step.at_ms
        if step.kind != "release" or step.name not in spec.controls:
            continue
        length = step.at_ms - pressed[step.name]
        for circuit in spec.functions[spec.controls[step.name].function].circuits:
            dim = spec.circuits[circuit].dim
            if dim is not None:
                assert length <= dim.hold_ms - 100 or length >= dim.hold_ms + 250, step


def test_a_horn_never_sounds_longer_than_600_ms(boat, replay):
    on_ms = None
    for ms, now, _ in replay.history:
        if now["horn"][0] > 0 and on_ms is None:
            on_ms = ms
        if now["horn"][1] <= 0 and on_ms is not None:
            assert ms - on_ms <= 600
            on_ms = None


def test_every_circuit_is_watched_at_full_and_at_each_preset(boat, replay):
    """settle_ms and two current cycles at one level, recounted from the model's outputs."""
    spec, _ = boat
    steady = max(b.settle_ms for b in spec.boxes.values()) + 200
    seen, since = {}, {}
    for ms, now, _ in replay.history:
        for c, level in now.items():
            held, since_ms = since.setdefault(c, (level, ms))
            if ms - since_ms >= steady:
                seen.setdefault(c, set()).add(held)
            if held != level:
                since[c] = level, ms
    for c, circuit in spec.circuits.items():
        full = (100.0, 100.0)
        assert full in seen[c] or circuit.dim is not None, c
    for f in spec.functions.values():
        for c, level in f.presets.items():
            if level > 0:
                assert any(abs(lo - level) <= 0.5 for lo, _ in seen[c]), (c, level)


def test_every_control_switches_something_on_and_off(boat, replay):
    spec, plan = boat
    did, before = {}, {}
    for (_, earlier, _), (_, later, index) in pairwise(replay.history):
        step = plan.steps[index] if index is not None else None
        if step is not None and step.kind == "press":
            before[step.name] = earlier
        for name, was in list(before.items()):
            if name in spec.controls:
                for c in spec.functions[spec.controls[name].function].circuits:
                    if was[c][1] <= 0 < later[c][0]:
                        did.setdefault(name, set()).add("on")
                    if was[c][0] > 0 >= later[c][1]:
                        did.setdefault(name, set()).add("off")
        if step is not None and step.kind == "release":
            before.pop(step.name, None)
    for name, control in spec.controls.items():
        wanted = {"momentary": {"on"}, "off": {"off"}, "on": {"on"}}.get(
            spec.functions[control.function].kind, {"on", "off"}
        )
        if spec.functions[control.function].again == "reapply":
            wanted = {"on"}
        assert wanted <= did.get(name, set()), (name, control.function)


def test_every_position_is_reached_by_every_control_of_a_cycle(boat, replay):
    spec, plan = boat
    reached = {}
    for _, now, index in replay.history:
        step = plan.steps[index] if index is not None else None
        if step is None or step.kind != "press" or step.name not in spec.controls:
            continue
        f = spec.functions[spec.controls[step.name].function]
        for i, members in enumerate(f.positions):
            if all((now[c][0] > 0) == (c in members) for c in f.circuits):
                reached.setdefault(step.name, set()).add(i)
    for name, control in spec.controls.items():
        count = len(spec.functions[control.function].positions)
        assert reached.get(name, set()) >= set(range(count)), name


def test_every_rule_and_timer_has_its_steps(boat):
    spec, plan = boat
    have = tags(plan)
    wanted = [f"auto-off {c.name}" for c in spec.circuits.values() if c.auto_off]
    for f in spec.forces:
        wanted += [f"force {f.circuit} by {f.sensor}", f"force {f.circuit} press meanwhile"]
    by = {(r.circuit, s) for r in spec.inhibits for s in r.sources}
    for target, source in by:
        wanted.append(f"inhibit {target} by {source} refused")
        if (source, target) not in by:  # of two that inhibit each other the second never comes on
            wanted.append(f"inhibit {target} by {source} running")
    for r in spec.follows:
        wanted += [f"follow {r.circuit} of {s} begins" for s in r.sources]
        wanted += [f"follow {r.circuit} of {s} ends ({r.release})" for s in r.sources]
    for f in spec.functions.values():
        if f.kind == "scene":
            wanted += [f"scene {f.name} applied", f"scene {f.name} again ({f.again})"]
        if f.kind == "group":
            own = {g.members[0] for g in spec.functions.values() if g.kind == "toggle"}
            wanted += [f"group {f.name} part on {m}" for m in f.members if m in own]
    for c in spec.circuits.values():
        if c.dim is not None:
            wanted += [f"dim {c.name} {what}" for what in ("short off", "hold", "memory", c.dim.at_end)]
    wanted += [f"outside {k}" for k in spec.outside] + [f"wake {b}" for b in spec.boxes]
    assert [w for w in wanted if w not in have] == []


def test_a_timer_is_left_alone_until_it_ends(boat, replay):
    """Of at least one run of each auto-off circuit no step touches its cluster until the timer's end."""
    spec, _ = boat
    for c in spec.circuits.values():
        if c.auto_off is None:
            continue
        k = replay.oracle.circuit_cluster[c.name]
        ends = [hi for lo, hi, cluster in replay.dues if cluster == k and hi - lo > 100]
        assert ends, c.name
        went_off = [
            ms for ms, now, index in replay.history if index is None and now[c.name][1] <= 0 and ms in ends
        ]
        assert went_off, c.name


def test_the_plan_ends_with_everything_off_and_is_short_enough(boat, replay):
    spec, plan = boat
    assert all(hi <= 0 for _, hi in replay.history[-1][1].values())
    assert make_plan(spec).duration_ms < 150_000
    assert plan.duration_ms < 180_000  # with the supply off and on, and all on before
    assert plan.start == "off"


def test_what_is_covered_is_said_in_words_and_what_is_not_has_a_reason(boat):
    spec, plan = boat
    text = "\n".join(plan.covered)
    assert all(c in text for c in spec.circuits)
    assert plan.not_tested["by hand"] == "needs a person or a fixture at the box"
    assert "overload trip" in plan.not_tested
    assert not any(k.startswith("current of") for k in plan.not_tested)


@pytest.mark.slow
@pytest.mark.plans_anew
def test_the_same_seed_gives_the_same_plan_and_another_one_other_controls_first(boat):
    spec, plan = boat
    assert make_plan(spec, supply=True) == plan
    other = make_plan(spec, supply=True, seed=1)
    assert [s.name for s in other.steps] != [s.name for s in plan.steps]
    assert {t for t in tags(other) if not t.startswith("control")} == {
        t for t in tags(plan) if not t.startswith("control")
    }


@pytest.mark.slow
def test_the_short_plan_fits_and_names_what_it_leaves_out(short):
    spec, plan = short
    assert plan.duration_ms <= 13_000
    kinds = {t.split()[0] for t in tags(plan)}
    assert kinds >= {"toggle", "cycle", "group", "momentary", "dim", "force", "follow", "inhibit", "off"}
    assert "short" in plan.title
    left_out = [v for v in plan.not_tested.values() if v.startswith("left out of the short plan: ")]
    assert left_out
    timers = [c.name for c in spec.circuits.values() if c.auto_off]
    said = plan.not_tested["auto-off"].removeprefix("left out of the short plan: ").split("; ")
    assert sorted(said) == sorted(timers)


def test_without_a_switched_supply_waking_by_supply_is_not_tested():
    spec = load_spec(DATA / "kittiwake.yaml").spec
    plan = make_plan(spec)
    assert plan.not_tested["wake-up"] == "the bench cannot switch the supply"
    assert not any(s.kind == "supply" for s in plan.steps)


@pytest.mark.slow
def test_a_group_in_part_counts_where_a_press_could_go_either_way():
    """Of fulmar's bilges one is inhibited while the damper is on: what the press does then says nothing."""
    fault = Fault.parse("part_on_flipped:panel wheel 12")
    boat = load_boat("fulmar")
    verdict = run_virtual(
        boat=boat, faults=(fault,), seed=1, wishes=Wishes(plan=make_plan(boat.spec))
    ).verdict
    assert [d.subject for d in verdict.discrepancies] == ["bow_bilge"]
