"""Walks that do every sequence: against published lengths and plain enumeration."""

import random
from itertools import pairwise

import pytest

from bench.lab.api import load_boat, run_virtual
from bench.plan import make_plan
from bench.plan.machine import Letter, Move
from bench.plan.sequences import MOST, Sequences, lasting, paths, sequence_walk
from bench.run.api import Wishes


def loops(letters):
    return [Move(0, Letter("tap", f"k{n}"), 0, 500) for n in range(letters)]


def done(moves, length, walked):
    sequences = Sequences(moves, length)
    sequences.walked = list(walked)
    return sequences.done


@pytest.mark.parametrize(("letters", "length"), [(2, 2), (2, 3), (3, 2), (3, 3), (5, 3)])
def test_of_one_state_it_is_a_de_bruijn_sequence(letters, length):
    """The shortest cycle that holds every word has letters ** length of them (N. G. de Bruijn, "A
    combinatorial problem", 1946; from memory); cut open it repeats length - 1."""
    moves = loops(letters)
    every = paths(moves, lasting(moves), length)
    walk = sequence_walk(moves, every)
    assert len(every) == letters**length
    assert len(walk) == letters**length + length - 1
    assert done(moves, length, walk) == len(every)


@pytest.mark.parametrize("seed", range(30))
def test_on_random_machines_every_sequence_is_walked_and_each_move_begins_where_the_last_ended(seed):
    chance = random.Random(seed)
    places = chance.randint(2, 6)
    moves = [
        Move(p, Letter("tap", f"k{n}"), chance.randrange(places), 100 * chance.randint(1, 9))
        for p in range(places)
        for n in range(chance.randint(1, 3))
    ]
    inner = lasting(moves)
    every = paths(moves, inner, 3)
    plain = {
        (a, b, c)
        for a in inner
        for b in inner
        for c in inner
        if moves[a].head == moves[b].tail and moves[b].head == moves[c].tail
    }
    assert set(every) == plain
    walk = sequence_walk(moves, every)
    assert done(moves, 3, walk) == len(plain)
    assert not walk or moves[walk[0]].tail == 0
    assert all(moves[a].head == moves[b].tail for a, b in pairwise(walk))


def test_what_waits_for_a_timer_or_leads_away_for_good_is_in_no_sequence():
    moves = [*loops(2), Move(0, Letter("end", "fan"), 0, 9000), Move(0, Letter("tap", "stuck"), 1, 500)]
    assert lasting(moves) == [0, 1]


def test_a_sequence_interrupted_by_something_else_does_not_count():
    assert done(loops(2), 2, [0, None, 1, 0, 1]) == 2


def test_too_many_are_not_done():
    moves = loops(20)
    assert len(moves) ** 3 > MOST
    assert paths(moves, lasting(moves), 3) == []
    assert len(paths(moves, lasting(moves), 2)) == 400


def test_where_three_are_too_many_the_plan_does_two_and_says_so(monkeypatch):
    monkeypatch.setattr("bench.plan.sequences.MOST", 100)
    plan = make_plan(load_boat("dunlin").spec, sequences=3)
    (said,) = [text for text in plan.covered if text.startswith("sequences: ")]
    assert "72 of 72 of 2 keys" in said and "48 of 48 of 3 keys" in said
    assert "sequences as long as asked for, as there are too many" in plan.not_tested["some transitions"]


def test_a_cluster_gone_through_by_pairs_has_none_and_the_plan_says_so():
    plan = make_plan(load_boat("fulmar").spec, sequences=2)
    (large,) = [t for t in plan.toured if t.by == "pairs"]
    name = ", ".join(large.circuits)
    assert f"{name}: sequences, as it is gone through by pairs" in plan.not_tested["some transitions"]
    assert not any(f"keys ({name})" in text for text in plan.covered)


def test_a_cluster_that_nothing_leads_back_in_has_none_without_being_too_large():
    assert not Sequences([Move(0, Letter("tap", "k"), 1, 500)], 3).is_cut


@pytest.mark.slow
def test_a_healthy_box_passes_them():
    boat = load_boat("demo")
    plan = make_plan(boat.spec, supply=True, sequences=2)
    result = run_virtual(boat=boat, wishes=Wishes(plan=plan), seed=5)
    assert result.verdict.outcome == "pass"
    assert result.verdict.discrepancies == ()
