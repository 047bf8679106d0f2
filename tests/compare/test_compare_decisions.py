"""Different, same, or cannot tell: what each needs."""

import pytest
from toy_records import Story, toy_boat

from bench.compare import CANNOT_TELL, DIFFERENT, SAME, compare_records
from bench.compare.observe import Course
from bench.compare.shifts import decided


@pytest.fixture(scope="module")
def boat(tmp_path_factory):
    return toy_boat(tmp_path_factory.mktemp("boat"))


def session(boat, *, lamp_ms=20.0, pump_ms=20.0, times=12, wobble=0.0, **kw):
    """`times` on-and-offs of lamp and pump; delays alternate by `wobble`."""
    story = Story(boat, **kw).supply()
    for k in range(times):
        off = wobble * (-1) ** k
        for on in (1, 0):
            story.press("lamp", ("lamp", on), after_ms=lamp_ms + off)
            story.press("pump", ("pump", on), after_ms=pump_ms - off)
    return story.record


def row(comparison, family, subject):
    return next(s for s in comparison.shifts if (s.family, s.subject) == (family, subject))


def test_two_like_sessions_are_the_same(boat):
    made = compare_records(session(boat, wobble=4.0), session(boat, wobble=-4.0))
    assert (made.outcome, made.doubts) == (SAME, ())
    assert made.scope == "98 of 98 stimuli matched, 2 of 4 circuits seen off and on in both"
    assert made.not_compared["wiper_a"] == "not seen both off and on in both"


def test_a_late_circuit_is_named_and_the_other_is_not(boat):
    made = compare_records(session(boat, wobble=4.0), session(boat, lamp_ms=60.0, wobble=4.0))
    assert made.outcome == DIFFERENT
    found = {(s.family, s.subject) for s in made.shifts if s.verdict == DIFFERENT}
    assert ("circuit delay", "lamp") in found or ("box delay", "main") in found
    assert row(made, "circuit delay", "lamp").shift > row(made, "circuit delay", "pump").shift


def test_a_shift_below_the_floor_is_no_difference_however_significant(boat):
    made = compare_records(session(boat), session(boat, lamp_ms=35.0, pump_ms=35.0))
    box = row(made, "box delay", "main")
    assert box.p_adjusted < 1e-6
    assert (box.floor, box.shift) == (18.0, pytest.approx(15.0))
    assert (box.verdict, box.why) == (SAME, "below the floor")
    assert made.outcome == SAME


def test_a_box_that_is_late_as_a_whole_is_told_once(boat):
    made = compare_records(session(boat, wobble=3.0), session(boat, lamp_ms=55.0, pump_ms=55.0, wobble=3.0))
    assert [(s.family, s.subject) for s in made.shifts if s.verdict == DIFFERENT] == [("box delay", "main")]


def test_one_press_of_everything_is_never_the_same(boat):
    def once(boat):
        return Story(boat).supply().press("lamp", ("lamp", 1)).wait(100).record

    made = compare_records(once(boat), once(boat))
    assert made.outcome == CANNOT_TELL
    assert any("too few samples (1)" in doubt for doubt in made.doubts)


def test_nothing_at_all_cannot_be_told(boat):
    made = compare_records(Story(boat).record, Story(boat).record)
    assert made.outcome == CANNOT_TELL
    assert "no circuit was seen off and on in both: nothing was compared" in made.doubts


def test_a_drop_out_is_seen_in_its_circuit(boat):
    b = session(boat)
    course = b.courses["state:lamp"]
    at = course.t_ns[1] + 100_000_000
    course.t_ns[2:2] = [at, at + 40_000_000]
    course.values[2:2] = [0.0, 1.0]
    made = compare_records(session(boat), b)
    (difference,) = made.differences
    assert (difference.kind, difference.subject, difference.stimulus) == (
        "state",
        "lamp",
        "panel helm 1 pressed",
    )
    assert (difference.a, difference.b) == ("on", "on, off 0.100 s later, on 0.040 s later")
    assert (difference.times, difference.of) == (1, 24)


def test_the_same_change_told_around_the_next_stimulus_is_no_difference(boat):
    a = Story(boat).supply().press("lamp", ("lamp", 1), after_ms=290).press("lamp", ("lamp", 0)).record
    b = Story(boat).supply().press("lamp", ("lamp", 1), after_ms=290).press("lamp", ("lamp", 0)).record
    course = b.courses["state:lamp"]
    course.t_ns[1] += 20_000_000  # now after the release
    assert compare_records(a, b).differences == ()


def test_losses_keep_a_comparison_from_being_the_same(boat):
    b = session(boat)
    b.blind.append((b.stimuli[4].t_ns, b.stimuli[4].t_ns))
    made = compare_records(session(boat), b)
    assert made.outcome == CANNOT_TELL
    assert made.doubts[0].startswith("something may have been lost while these were watched: lamp, ")


def test_a_difference_counts_though_something_else_cannot_be_told(boat):
    a, b = session(boat), session(boat)
    b.doubts.append("the recording was cut")
    assert compare_records(a, b).outcome == CANNOT_TELL
    b.courses["state:pump"].values[1] = 0.0
    made = compare_records(a, b)
    assert made.outcome == DIFFERENT
    assert made.doubts == ("B: the recording was cut",)


def test_currents_are_told_apart_beyond_the_accuracy_of_both(boat):
    def measured(amps):
        story = Story(boat)
        story.supply().press("pump", ("pump", 1))
        times = [story.t_ns + k * 100_000_000 for k in range(30)]
        story.record.readings["pump"] = times, [amps + 0.05 * (k % 3) for k in range(30)]
        return story.wait(4000).press("pump", ("pump", 0)).record

    near, far = (compare_records(measured(4.0), measured(amps)) for amps in (4.3, 4.8))
    assert row(near, "current", "pump").verdict == SAME
    assert row(near, "current", "pump").p < 1e-6
    found = row(far, "current", "pump")
    assert (found.verdict, found.shift) == (DIFFERENT, pytest.approx(0.8))
    assert found.floor == pytest.approx(0.03 * (4.05 + 4.85) + 0.2)


def test_families_are_adjusted_apart(boat):
    made = compare_records(session(boat, wobble=4.0), session(boat, wobble=-4.0))
    for family in {s.family for s in made.shifts}:
        own = [s for s in made.shifts if s.family == family]
        assert all(s.p_adjusted >= s.p for s in own)
    assert decided(list(made.shifts)) == list(made.shifts)


def wiped(boat, *, order=("wiper_a", "wiper_b"), apart_ms=80):
    """A first press that brings both wipers on, one after the other."""
    story = Story(boat).supply().press("lamp", ("lamp", 1)).press("wipers", (order[0], 1), after_ms=10)
    course = story.record.courses[f"state:{order[1]}"]
    course.t_ns.append(story.record.courses[f"state:{order[0]}"].t_ns[-1] + apart_ms * 1_000_000)
    course.values.append(1.0)
    return story.record


def test_two_circuits_in_the_other_order_are_different_when_far_enough_apart(boat):
    a, b = wiped(boat), wiped(boat, order=("wiper_b", "wiper_a"))
    (difference,) = compare_records(a, b).differences
    assert (difference.kind, difference.subject) == ("order", "wiper_a")
    assert (difference.a, difference.b) == ("wiper_a before wiper_b", "wiper_b before wiper_a")
    near = wiped(boat, apart_ms=15), wiped(boat, order=("wiper_b", "wiper_a"), apart_ms=15)
    assert compare_records(*near).differences == ()


def test_a_start_of_the_box_without_a_cause_is_different(boat):
    a, b = session(boat), session(boat)
    for record, at_s in ((a, (3,)), (b, (3, 20))):
        t_ns = [round(s * 1e9) for s in at_s]
        record.courses["boot:main"] = Course(t_ns, [1.0] * len(t_ns))
    (difference,) = compare_records(a, b).differences
    assert (difference.kind, difference.subject) == ("boot", "main")
    assert (difference.a, difference.b) == ("no change", "starts (supply)")


@pytest.mark.parametrize(
    ("of_a", "of_b", "told"),
    [
        ((0.0, 1.0), (), []),  # dark for a moment
        ((0.0, 1.0), (0.0,), [("on", "off")]),
        ((), (0.0,), [("no change", "off")]),
    ],
)
def test_while_a_box_wakes_only_what_a_lamp_comes_to_counts(boat, of_a, of_b, told):
    def woken(values):
        record = session(boat)
        woke_ns = record.stimuli[1].t_ns
        t_ns = [woke_ns + (n + 1) * 100_000_000 for n in range(len(values))]
        record.courses["lamp:panel helm 1"] = Course([0, *t_ns], [1.0, *values])
        return record

    found = compare_records(woken(of_a), woken(of_b)).differences
    assert [(d.a, d.b) for d in found if d.kind == "lamp"] == told


def test_a_signal_that_is_never_available_in_one_session_is_told(boat):
    a, b = session(boat), session(boat)
    a.courses["lamp:panel helm 1"] = Course([1], [0.0])
    b.courses["lamp:panel helm 1"] = Course(absent=40)
    (difference,) = compare_records(a, b).differences
    assert (difference.kind, difference.a, difference.b) == ("absent", "lamp reported", "not available")


def test_a_report_that_was_held_back_is_not_taken_for_a_slow_answer(boat):
    a, b = session(boat), session(boat, lamp_ms=45.0)
    late = compare_records(a, b)
    assert late.outcome == DIFFERENT
    for record in (a, b):
        for signal in ("lamp", "pump"):
            course = record.courses[f"state:{signal}"]
            course.since_ns = [t - 100_000_000 for t in course.t_ns]
    assert compare_records(a, b).outcome == DIFFERENT  # sent at once: as late as told
    course = b.courses["state:lamp"]
    course.since_ns = [t - 20_000_000 for t in course.t_ns]
    held = row(compare_records(a, b), "circuit delay", "lamp")
    assert held.shift < held.floor


def test_three_late_answers_within_the_floor_are_not_called_the_same(boat):
    def few(lamp_ms):
        story = Story(boat).supply()
        for k in range(40):
            story.press("pump", ("pump", (k + 1) % 2), after_ms=20 + k % 3)
        for on in (1, 0, 1):
            story.press("lamp", ("lamp", on), after_ms=lamp_ms)
        return story.record

    made = compare_records(few(20.0), few(36.0))
    lamp = row(made, "circuit delay", "lamp")
    assert (lamp.verdict, lamp.n_a) == (CANNOT_TELL, 3)
    assert lamp.why == "no noise, but 3 samples do not show whether it exceeds the floor"
    assert made.outcome == CANNOT_TELL


def test_a_box_that_was_not_heard_cannot_be_told(boat):
    a, b = session(boat), session(boat)
    quiet_ns = b.stimuli[60].t_ns
    for course in b.courses.values():
        keep = sum(t < quiet_ns for t in course.t_ns)
        del course.t_ns[keep:], course.values[keep:]
    b.silent["main"] = [(quiet_ns, b.end_ns)]
    b.doubts.append("box main was silent for a while")
    made = compare_records(a, b)
    assert (made.outcome, made.differences) == (CANNOT_TELL, ())
    b.silent.clear()
    assert compare_records(a, b).outcome == DIFFERENT  # heard, and it did nothing
