"""By hand > trip > force > inhibit > stored level, whatever the order in which causes begin and end."""

from __future__ import annotations

import itertools

import pytest
from oracle_builder import MS, Walk, box, circuit, spec, toggle

from bench.core.event import BY_HAND, PRESS, RELEASE, SENSOR, TRIP, Event
from bench.oracle import Oracle
from bench.spec import model as m

RANK = ("by_hand", "trip", "force", "inhibit", "stored")
SHOWS = {"by_hand": 100.0, "trip": 0.0, "force": 100.0, "inhibit": 0.0, "stored": 50.0}


def boat(presses: str, over: str, hand: str, reset: frozenset[str] = frozenset({"control"})) -> m.Spec:
    """Circuit a under everything; b inhibits it; a scene stores 50 % in it."""
    half = m.Function("half", "scene", presets={"a": 50.0}, again="reapply")
    return spec(
        [circuit("a", 1, trip=m.Trip(9, reset)), circuit("b", 2)],
        [toggle("a"), toggle("b"), half],
        boxes=[box(by_hand=m.ByHand("seat", "flag", hand))],
        forces=(m.Force("a", "x", presses, over),),
        inhibits=(m.Inhibit("a", ("b",), "output"),),
    )


class Causes:
    """Begins and ends causes on circuit a, half a second apart."""

    def __init__(self, model: Oracle) -> None:
        self.walk, self.t_ns = Walk(model), MS

    def change(self, cause: str, value: int) -> None:
        self.t_ns += 500 * MS
        if cause in ("inhibit", "stored"):
            if value or cause == "inhibit":
                self.walk.tap(self.t_ns, "panel p 2" if cause == "inhibit" else "panel p 3")
        else:
            kind, name = {"by_hand": (BY_HAND, "a"), "trip": (TRIP, "a"), "force": (SENSOR, "x")}[cause]
            self.walk.event(Event(self.t_ns, kind, name, value))
        self.t_ns += 500 * MS

    def shows(self) -> tuple[float, float]:
        return self.walk.span("a", self.t_ns)


PAIRS = list(itertools.permutations(RANK, 2))


@pytest.mark.parametrize("over", ["passes", "yields"])
@pytest.mark.parametrize("presses", ["ignored", "stored"])
@pytest.mark.parametrize("hand", ["ignored", "stored"])
@pytest.mark.parametrize(("first", "second"), PAIRS)
def test_the_higher_of_two_causes_shows_in_either_order(first, second, hand, presses, over):
    causes = Causes(Oracle(boat(presses, over, hand)))
    causes.change(first, 1)
    causes.change(second, 1)
    top = min(first, second, key=RANK.index)
    if (first, second) == ("by_hand", "trip"):
        top = "by_hand"  # a seat that bypasses the electronic fuse: no trip begins
    expected = SHOWS[top]
    if {first, second} == {"force", "inhibit"} and over == "yields":
        expected = 0.0
    assert causes.shows() == (expected, expected)


@pytest.mark.parametrize("over", ["passes", "yields"])
@pytest.mark.parametrize(("higher", "lower"), list(itertools.combinations(RANK[:4], 2)))
def test_the_lower_cause_shows_when_the_higher_one_ends(higher, lower, over):
    causes = Causes(Oracle(boat("ignored", over, "ignored")))
    causes.change(lower, 1)
    causes.change(higher, 1)
    if higher == "trip":
        causes.walk.tap(causes.t_ns, "panel p 1")  # only its own control ends a latch
        causes.t_ns += 500 * MS
    else:
        causes.change(higher, 0)
    assert causes.shows() == (SHOWS[lower], SHOWS[lower])


@pytest.mark.parametrize("cause", ["inhibit", "trip"])
def test_nothing_resumes_after_an_inhibit_or_a_trip(cause):
    causes = Causes(Oracle(boat("ignored", "passes", "ignored")))
    causes.change("stored", 1)
    causes.change(cause, 1)
    if cause == "trip":
        causes.walk.tap(causes.t_ns, "panel p 1")
        causes.t_ns += 500 * MS
    else:
        causes.change("inhibit", 0)
    assert causes.shows() == (0.0, 0.0)


@pytest.mark.parametrize("presses", ["ignored", "stored"])
def test_an_off_press_under_force_never_closes_a_tripped_output(presses):
    reset = frozenset({"control", "group_off", "scene_off"})
    plain = boat(presses, "passes", "ignored", reset)
    both = m.Function("both", "off", ("a", "b"))
    made = spec(
        list(plain.circuits.values()),
        [*plain.functions.values(), both],
        boxes=list(plain.boxes.values()),
        forces=plain.forces,
    )
    causes = Causes(Oracle(made))
    causes.change("force", 1)
    causes.change("trip", 1)
    causes.walk.tap(causes.t_ns, "panel p 4")
    causes.t_ns += 500 * MS
    assert causes.shows() == (0.0, 0.0)
    causes.walk.tap(causes.t_ns, "panel p 1")
    causes.t_ns += 500 * MS
    assert causes.shows() == (100.0, 100.0)


def test_what_the_box_cannot_know_changes_nothing_it_reports():
    made = spec([circuit("a")], [toggle("a")], boxes=[box(by_hand=m.ByHand("link", "none", "stored"))])
    walk = Walk(Oracle(made))
    walk.event(Event(MS, BY_HAND, "a", 1))
    assert walk.span("a", 2 * MS) == (0.0, 0.0)
    walk.event(Event(3 * MS, PRESS, "panel p 1"))
    walk.event(Event(4 * MS, RELEASE, "panel p 1", 0))
    assert walk.span("a", 5 * MS) == (100.0, 100.0)
