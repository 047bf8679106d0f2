"""Wires and fuses against published figures.

Sources: 33 CFR 183.425 Table 5 (allowable amperage, 30 degC ambient) and 183.455(c)(1) (fuse at most 150 %
of it under 50 V); ASTM B258 (gauge diameters); published wire tables (circular mils); ABYC E-11 (voltage
drop, CM = K I L / E with K = 10.75, worked example of a public wire-sizing article).
"""

import dataclasses

import pytest

from bench.data import boat_path
from bench.rules import fuse_above_wire, thin_wire
from bench.rules.voltage_drop import limit_pct
from bench.rules.wires import (
    FUSE_FACTOR,
    INSULATION_C,
    allowable_a,
    circular_mils,
    drop_v,
    gauge,
    mm2,
    needed_cmil,
)
from bench.spec import load_spec
from bench.spec.model import Wire

SPEC = load_spec(boat_path("kittiwake")).spec

# 33 CFR 183.425, Table 5: conductor size, then allowable amperage by insulation temperature rating
TABLE_5 = """
        60   75   80   90  105  125  200
18      10   10   15   20   20   25   25
16      15   15   20   25   25   30   35
14      20   20   25   30   35   40   45
12      25   25   35   40   45   50   55
10      40   40   50   55   60   70   70
8       55   65   70   70   80   90  100
6       80   95  100  100  120  125  135
4      105  125  130  135  160  170  180
3      120  145  150  155  180  195  210
2      140  170  175  180  210  225  240
1      165  195  210  210  245  265  280
1/0    195  230  245  245  285  305  325
2/0    225  265  285  285  330  355  370
3/0    260  310  330  330  385  410  430
4/0    300  360  385  385  445  475  510
"""


def cells():
    head, *rows = TABLE_5.strip().splitlines()
    for row in rows:
        size, *amps = row.split()
        awg = 1 - int(size[:-2]) if "/" in size else int(size)
        for rating, amp in zip(head.split(), amps, strict=True):
            yield awg, int(rating), float(amp)


def test_table_5_has_105_cells_and_each_is_looked_up_right():
    known = list(cells())
    assert len(known) == 105
    assert {rating for _, rating, _ in known} == set(INSULATION_C)
    assert [(a, r, allowable_a(a, r)) for a, r, _ in known] == known


def test_a_gauge_between_two_rows_counts_as_the_thinner_and_below_18_there_is_none():
    assert allowable_a(5, 105) == allowable_a(6, 105)
    assert allowable_a(20) is None


# 33 CFR 183.455(c)(1): e.g. 14 AWG of 105 degC: 35 A, so 52.5 A; 16 AWG of 60 degC: 15 A, so 22.5 A
@pytest.mark.parametrize(("awg", "rating", "most_a"), [(14, 105, 52.5), (16, 60, 22.5)])
def test_the_fuse_may_be_150_percent_of_the_allowance(awg, rating, most_a):
    assert FUSE_FACTOR * allowable_a(awg, rating) == most_a


@pytest.mark.parametrize(("fuse_a", "found"), [(22.5, 0), (22.6, 1)])
def test_the_rule_takes_the_column_for_60_degrees_up_to_its_limit(fuse_a, found):
    horn = dataclasses.replace(SPEC.circuits["horn"], fuse_a=fuse_a, wire=Wire(5, awg=16))
    spec = dataclasses.replace(SPEC, circuits={"horn": horn})
    assert len(fuse_above_wire.check(spec)) == found


# 33 CFR 183.425(d)-(g): 16 AWG alone, 18 AWG within a sheath, circuits under 1 A exempt
@pytest.mark.parametrize(
    ("awg", "rated_a", "words"),
    [(16, 5, None), (18, 5, "allowed only within a sheath"), (20, 5, "20 AWG"), (20, 0.9, None)],
)
def test_the_smallest_conductors_are_those_of_183_425(awg, rated_a, words):
    horn = dataclasses.replace(SPEC.circuits["horn"], rated_a=rated_a, wire=Wire(5, awg=awg))
    found = thin_wire.check(dataclasses.replace(SPEC, circuits={"horn": horn}))
    assert [words in c.text for c in found] == ([True] if words else [])


# Published wire tables, circular mils; agreement to 0.05 %
@pytest.mark.parametrize(
    ("awg", "cmil"),
    [
        (-3, 211600), (-2, 167810), (-1, 133080), (0, 105530), (2, 66373), (4, 41742), (6, 26250),
        (8, 16509), (10, 10381), (12, 6529), (14, 4106.8), (16, 2582.9), (18, 1624.3), (20, 1021.5),
    ],
)  # fmt: skip
def test_circular_mils_are_those_of_the_wire_tables(awg, cmil):
    assert circular_mils(awg) == pytest.approx(cmil, rel=5e-4)


# ASTM B258: 36 AWG is 0.005 inch, 4/0 is 0.46 inch; 1 mm2 is 1973.5 circular mils
def test_gauges_are_those_of_astm_b258():
    assert circular_mils(36) == pytest.approx(25.0)
    assert circular_mils(-3) == pytest.approx(460.0**2)
    assert mm2(36) == pytest.approx(3.141592653589793 / 4 * 0.127**2, rel=1e-5)


@pytest.mark.parametrize(("area", "awg"), [(1.5, 16), (2.5, 14), (4, 12), (6, 10), (2.08, 14), (0.75, 19)])
def test_a_wire_in_square_millimetres_counts_as_the_thickest_gauge_not_thicker(area, awg):
    assert gauge(Wire(1, mm2=area)) == awg


# ABYC E-11, worked example: 10 A over 11 ft + 10 ft; 3 % of 12 V and of 32 V
@pytest.mark.parametrize(("volts", "cmil"), [(12, 6270.8), (32, 2351.6)])
def test_the_circular_mils_needed_are_those_of_the_worked_example(volts, cmil):
    assert needed_cmil(10, 21, 0.03 * volts) == pytest.approx(cmil, abs=0.05)


def test_12_awg_just_does_for_the_worked_example():
    wire = Wire(10.5 * 0.3048, awg=12)  # 21 ft out and back
    assert drop_v(wire, 10) == pytest.approx(0.36 * 6270.8 / circular_mils(12), rel=1e-4)
    assert drop_v(wire, 10) < 0.36 < drop_v(dataclasses.replace(wire, awg=13), 10)


# Copper at 20 degC, ohm per 1000 ft of published tables; K = 10.75 is for a slightly warmer conductor
@pytest.mark.parametrize(("awg", "ohm"), [(18, 6.385), (16, 4.016), (14, 2.525), (12, 1.588), (10, 0.9989)])
def test_the_drop_lies_up_to_five_percent_above_that_of_cold_copper(awg, ohm):
    drop = drop_v(Wire(500 * 0.3048, awg=awg), 1)  # 1000 ft in all, 1 A
    assert ohm <= drop <= 1.05 * ohm


# ABYC E-11: 3 % navigation lights and electronics; 10 % other lighting and what is not critical
@pytest.mark.parametrize(
    ("name", "limit"),
    [("sidelights", 3), ("allround_white", 3), ("electronics", 3), ("deck_fwd", 10), ("horn", 10)],
)
def test_the_allowed_drop_goes_by_what_the_circuit_is(name, limit):
    assert limit_pct(SPEC.circuits[name]) == limit
