"""From a recording's entries to a plan of its stimuli, and from a replay's entries to its lag."""

import pytest

from bench.core.entry import Asked, StepMark, SupplySwitched
from bench.core.errors import UsageError
from bench.core.frame import TX, Frame
from bench.core.plan import Plan, Step
from bench.lab.api import load_boat
from bench.run.replay import FIRST_MS, measure_lag, play_again

MS = 1_000_000


@pytest.fixture(scope="module")
def definitions():
    return load_boat("demo").definitions


class Bench:
    """Makes entries as the bench sends them."""

    def __init__(self, definitions):
        self.sender, self.entries = definitions.sender(), []

    def send(self, t_ms, frames):
        self.entries += [Frame(round(t_ms * MS), i, d, x, TX) for i, d, x in frames]

    def press(self, t_ms, control, held_ms=100.0):
        self.send(t_ms, self.sender.press(control))
        if held_ms is not None:
            self.send(t_ms + held_ms, self.sender.release(control))


@pytest.fixture
def bench(definitions):
    return Bench(definitions)


def steps(again):
    return [(round(s.at_ms - FIRST_MS, 3), s.kind, s.name, s.value) for s in again.plan.steps]


def again_of(bench, definitions, **more):
    return play_again(bench.entries, definitions, title="x", **more)


def test_stimuli_become_steps_at_their_distances(bench, definitions):
    bench.press(1000, "panel helm 3", 480)
    bench.send(2000, bench.sender.sensor("bilge_float", 1))
    again = again_of(bench, definitions)
    assert steps(again) == [
        (0, "press", "panel helm 3", 1),
        (480, "release", "panel helm 3", 0),
        (1000, "sensor", "bilge_float", 1),
    ]
    assert again.recorded_ns == [1000 * MS, 1480 * MS, 2000 * MS]
    assert steps(again_of(bench, definitions, speed=2.0))[1][0] == 240


def test_signs_of_life_and_repeats_are_no_stimuli(bench, definitions):
    for beat in bench.sender.heartbeats():
        bench.send(500, beat.make())
    bench.press(1000, "panel helm 3")
    bench.entries.append(bench.entries[-2])  # the same press once more
    assert [s[1] for s in steps(again_of(bench, definitions))][:2] == ["press", "release"]


def test_of_a_session_of_ours_only_what_its_plan_did_is_done_again(bench, definitions):
    bench.entries.append(StepMark(0, -1, "switch off what is on", "home"))
    bench.press(100, "panel helm 2")
    bench.entries.append(StepMark(900 * MS, 0, "press panel helm 3", "test"))
    bench.press(1000, "panel helm 3")
    bench.entries.append(StepMark(2000 * MS, -1, "switch off what is on", "off"))
    bench.press(2100, "panel helm 12")
    assert {s[2] for s in steps(again_of(bench, definitions))} == {"panel helm 3"}


def test_what_the_link_cannot_do_is_left_out_and_said(bench, definitions):
    bench.press(1000, "panel helm 3")
    bench.entries.append(SupplySwitched(3000 * MS, "main", 0))
    again = again_of(bench, definitions)
    assert again.left_out == {"supply of main": "this link cannot switch the supply"}
    assert again.plan.not_tested == again.left_out
    assert steps(again_of(bench, definitions, supply=True))[-1] == (2000, "supply", "main", 0)


def test_what_a_person_was_asked_is_left_out_and_said(bench, definitions):
    bench.press(1000, "panel helm 3")
    bench.entries.append(Asked(2000 * MS, 1, "by_hand", "cabin_red", 1, "?"))
    again = again_of(bench, definitions)
    assert again.left_out == {"what a person was asked": "nobody is asked again"}
    assert [s[1] for s in steps(again)] == ["press", "release"]


def test_a_key_held_at_the_end_is_let_go(bench, definitions):
    bench.press(1000, "panel helm 3", None)
    bench.press(1500, "panel helm 2")
    assert steps(again_of(bench, definitions))[-1] == (600, "release", "panel helm 3", 0)


def test_a_part_holds_whole_presses_only(bench, definitions):
    bench.press(1000, "panel helm 3", 600)
    bench.press(1300, "panel helm 2", 100)
    bench.press(3000, "panel helm 12", 100)
    again = again_of(bench, definitions, part=(1200 * MS, 2000 * MS))
    assert [(s[1], s[2]) for s in steps(again)] == [("press", "panel helm 2"), ("release", "panel helm 2")]


def test_only_what_was_asked_for_is_sent_beside_them(bench, definitions):
    bench.press(1000, "panel helm 3")
    bench.entries.append(Frame(1500 * MS, 0x18FEEE00, b"\x01\x02"))
    assert "frame" not in {s[1] for s in steps(again_of(bench, definitions))}
    again = again_of(bench, definitions, also={0x18FEEE00})
    assert (500, "frame", "18FEEE00#0102#1", 1) in steps(again)


def test_nobody_speaks_for_a_box(bench, definitions):
    bench.press(1000, "panel helm 3")
    box = next(m for m in definitions.messages() if m.node == "main")
    with pytest.raises(UsageError, match="is what a box sends itself"):
        again_of(bench, definitions, also={box.can_id})


def test_a_recording_without_stimuli_is_refused(bench, definitions):
    with pytest.raises(UsageError, match="no stimulus"):
        again_of(bench, definitions)


def test_lag_is_how_far_stimuli_lie_from_their_deadlines(bench, definitions):
    plan = Plan(
        "x",
        tuple(Step(at, k, "panel helm 3") for at, k in ((0, "press"), (500, "release"), (900, "press"))),
        1500,
    )
    bench.press(7000, "panel helm 3", 504.0)
    bench.press(7901, "panel helm 3", None)
    bench.send(8000, bench.sender.press("panel helm 2"))  # not of the plan
    lag = measure_lag(bench.entries, plan, definitions)
    assert (lag.played, lag.planned, lag.worst_ms, lag.median_ms) == (3, 3, 4.0, 1.0)
    assert lag.words() == "3 of 3 stimuli; lag at worst 4.0 ms, half of them within 1.0 ms"
    assert lag.words(timed=False) == "3 of 3 stimuli, step by step"
