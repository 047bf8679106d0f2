"""Orders that close stimuli may have had: every permitted one, once, the stamped one first."""

from itertools import pairwise, permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.judge.order import Chain, Happened, TooManyOrders, instants
from bench.judge.trace import Switch

NEAR = 30


def chain(stamps, sources=None):
    made = Chain([])
    for number, t in enumerate(sorted(stamps)):
        who = sources[number] if sources else f"key {number}"
        made.events.append(Happened(number, who, ["cause"], Switch(t, t), NEAR))
    return made


def numbers(made):
    return [tuple(e.number for e in order) for order in made.orders()]


def permitted(events, order):
    """Straight from the words: two stimuli keep their order when they are `NEAR` or more apart, or come
    from one source."""
    for i, late in enumerate(order):
        for early in order[i + 1 :]:
            a, b = events[early], events[late]
            if early < late and (b.switch.hi - a.switch.hi >= NEAR or a.who == b.who):
                return False
    return True


@settings(max_examples=80, deadline=None, derandomize=True)
@given(st.lists(st.tuples(st.integers(0, 90), st.integers(0, 2)), min_size=1, max_size=5))
def test_orders_are_those_permutations_that_keep_what_is_promised(drawn):
    drawn = sorted(drawn)
    made = chain([t for t, _ in drawn], [f"key {k}" for _, k in drawn])
    expected = {p for p in permutations(range(len(drawn))) if permitted(made.events, p)}
    found = numbers(made)
    assert found[0] == tuple(range(len(drawn)))
    assert len(found) == len(set(found))
    assert set(found) == expected


def test_what_may_not_have_happened_is_also_left_out():
    made = chain([0, 10])
    made.events[0].optional = True
    assert set(numbers(made)) == {(0, 1), (1, 0), (1,)}


def test_effects_never_come_before_those_that_were_taken_first():
    made = chain([0, 10, 20])
    for order in made.orders():
        switches = instants(order)
        assert all(s.lo >= e.switch.lo and s.hi >= e.switch.hi for s, e in zip(switches, order, strict=True))
        assert all(a.lo < b.lo and a.hi < b.hi for a, b in pairwise(switches))


def test_more_orders_than_worth_following_are_refused():
    with pytest.raises(TooManyOrders):
        numbers(chain(range(6)))
    with pytest.raises(TooManyOrders):
        numbers(chain(range(0, 8 * NEAR, NEAR - 1)))


def test_only_close_stimuli_hang_together():
    made = chain([0, 20])
    assert made.holds(20 + NEAR - 1, NEAR)
    assert not made.holds(20 + NEAR, NEAR)
    assert made.holds(20 + NEAR, NEAR + 1)  # the end of a silence reaches further
    assert not made.holds(NEAR + 5, 0, but="key 1")  # key 0 is too long ago
