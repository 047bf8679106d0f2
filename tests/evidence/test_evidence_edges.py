"""Boxes at the edges of what is agreed, sampled; and that these edges are edges."""

import random
from dataclasses import replace

import pytest

from bench.evidence.edges import BOATS, EDGES, REPORTING, at_an_edge, one, reported_late, slack_ms
from bench.lab.api import boat_tables, load_boat, run_virtual

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("boat", BOATS)
@pytest.mark.parametrize("seed", [1, 2])
def test_none_fails(boat, seed):
    edge, verdict = one(load_boat(boat), seed)
    assert edge == EDGES[seed]
    assert verdict.discrepancies == ()
    assert verdict.judged_samples > 5_000


@pytest.mark.parametrize("name", REPORTING)
def test_reports_as_late_as_agreed_are_no_failure(name):
    boat = load_boat(name)
    assert slack_ms(boat.spec) > 30
    verdict = reported_late(boat, 7001)
    assert verdict.discrepancies == ()
    assert verdict.judged_samples > 10_000


@pytest.mark.parametrize(("edge", "times", "amps"), [("slow", 1, 0), ("quick", -1, 0), ("weak", 0, -1)])
def test_an_edge_moves_what_it_says(edge, times, amps):
    boat, tables = load_boat("dunlin"), boat_tables("dunlin")
    made = at_an_edge(tables, boat.spec, edge, random.Random(1))
    for row, moved in zip(tables.channels, made.channels, strict=True):
        circuit = boat.spec.circuit_at(tables.boxes[0].name, row.number)
        if circuit and circuit.dim and times:
            assert (moved.dim.sweep_ms - circuit.dim.range_s * 1000) * times > 0
        if circuit and amps:
            assert (moved.amps - circuit.rated_a) * amps > 0


@pytest.mark.parametrize(("boot_ms", "outcome"), [(1900, "pass"), (2150, "fail"), (2900, "fail")])
def test_a_box_that_wakes_too_late_fails_for_that_and_once(boot_ms, outcome):
    tables = boat_tables("demo")  # agreed are 2 s, and 0.1 s more until it is shown
    boxes = tuple(replace(b, boot_ms=boot_ms) for b in tables.boxes)
    verdict = run_virtual("demo", tables=replace(tables, boxes=boxes), seed=1).verdict
    assert verdict.outcome == outcome
    roots = [(d.subject, d.root.kind, d.root.expected) for d in verdict.discrepancies]
    late = ("main", "late", "awake, and that shown, within 2.10 s")
    assert roots == ([late] if outcome == "fail" else [])
