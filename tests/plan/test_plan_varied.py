"""The same closed walk in an order in which more words come up."""

from collections import Counter
from itertools import pairwise, product

from bench.plan.postman import Edge
from bench.plan.varied import varied


def walk_of(edges, order):
    return [(edges[n].tail, edges[n].head) for n in order]


def test_it_is_a_closed_walk_of_the_same_edges():
    places = range(4)
    edges = [Edge(a, b, 1) for a, b in product(places, places) for _ in range(2)]
    order = list(varied(edges, range(len(edges)), ["x"] * len(edges), 2))
    assert Counter(order) == Counter(range(len(edges)))
    steps = walk_of(edges, order)
    assert steps[0][0] == steps[-1][1] == 0
    assert all(a[1] == b[0] for a, b in pairwise(steps))


def test_words_that_were_not_had_go_first():
    edges = [Edge(0, 0, 1)] * 9
    letters = ["a", "a", "a", "a", "a", "b", "b", "b", "b"]
    order = varied(edges, range(9), letters, 2)
    said = [letters[n] for n in order]
    assert {*pairwise(said)} == {("a", "a"), ("a", "b"), ("b", "a"), ("b", "b")}


def test_what_is_no_letter_stands_in_no_word():
    edges = [Edge(0, 1, 1), Edge(1, 0, 1)] * 3
    assert varied(edges, range(6), ["a", None, "b", None, "a", None], 2)[0] in (0, 2, 4)
    assert varied([], [], [], 3) == []
