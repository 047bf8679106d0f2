"""Navigation lights against the International Regulations for Preventing Collisions at Sea 1972.

Sources, by facts as read: Rule 23(a) and (d)(i), (d)(ii) (power-driven vessels under way), Rule 30(a), (b),
(c), (e) (at anchor). From memory, said so beside the check: Rule 20(b) (no other lights) and Rule 25(a)
(sailing vessels). `allround` is all-round white; `sidelights` is the pair.
"""

import pytest

from bench.data import boat_path
from bench.rules.navigation_lights import at_anchor, check, under_way
from bench.spec import load_spec, parse_spec
from bench.spec.model import Boat

RULE_23A = ("masthead", "sidelights", "stern")
RULE_23A_TWO = ("masthead", "masthead", "sidelights", "stern")
RULE_23D1 = ("allround", "sidelights")
RULE_23D2 = ("allround",)


def boat(length_m, propulsion="power", max_speed_kn=None):
    return Boat("X", "", length_m, propulsion, max_speed_kn)


# Rule 23(a): masthead, second masthead abaft (not obliged under 50 m), sidelights, sternlight
@pytest.mark.parametrize(
    ("length_m", "permitted"),
    [
        (100.0, {RULE_23A_TWO}),
        (50.0, {RULE_23A_TWO}),
        (49.9, {RULE_23A, RULE_23A_TWO}),
        (12.0, {RULE_23A, RULE_23A_TWO}),
        (11.9, {RULE_23A, RULE_23A_TWO, RULE_23D1}),  # Rule 23(d)(i): under 12 m
        (7.0, {RULE_23A, RULE_23A_TWO, RULE_23D1}),
        (6.9, {RULE_23A, RULE_23A_TWO, RULE_23D1}),  # its speed is not known
    ],
)
def test_power_driven_under_way_shows_the_lights_of_rule_23(length_m, permitted):
    assert set(under_way(boat(length_m))) == permitted


# Rule 23(d)(ii), international: under 7 m and at most 7 knots, all-round white; sidelights if practicable
@pytest.mark.parametrize(
    ("length_m", "knots", "alone"),
    [(6.9, 7.0, True), (6.9, 7.1, False), (7.0, 6.0, False), (6.9, None, False)],
)
def test_all_round_white_alone_under_way_is_for_small_slow_boats(length_m, knots, alone):
    assert (RULE_23D2 in under_way(boat(length_m, max_speed_kn=knots))) is alone


# Rule 25(a), from memory: sidelights and sternlight; under engine a sailing boat is power-driven
def test_a_sailing_boat_may_also_show_sidelights_and_stern_light():
    assert ("sidelights", "stern") in under_way(boat(11.0, "sail"))
    assert ("sidelights", "stern") not in under_way(boat(11.0, "power"))


# Rule 30(a): forward and aft; (b): under 50 m one where best seen; (e): under 7 m none in places
@pytest.mark.parametrize(
    ("length_m", "permitted"),
    [
        (50.0, {("allround", "allround")}),
        (49.9, {("allround", "allround"), ("allround",)}),
        (7.0, {("allround", "allround"), ("allround",)}),
        (6.9, {("allround", "allround"), ("allround",), ()}),
    ],
)
def test_at_anchor_all_round_white_as_rule_30_says(length_m, permitted):
    assert set(at_anchor(boat(length_m))) == permitted


# Rule 20(b), from memory: no lights that can be mistaken for those of the Rules
@pytest.mark.parametrize("length_m", [5.0, 6.9, 9.2, 14.8, 49.9, 120.0])
def test_no_sidelight_masthead_or_stern_light_belongs_to_an_anchored_boat(length_m):
    for lights in at_anchor(boat(length_m)):
        assert not {"sidelights", "masthead", "stern"} & set(lights)


@pytest.mark.parametrize(
    ("name", "under", "anchor"),
    [
        ("kittiwake", RULE_23D1, ("allround",)),  # 9.2 m: Rules 23(d)(i) and 30(b)
        ("dunlin", RULE_23D1, ("allround",)),  # 6.4 m
        ("fulmar", RULE_23A, ("allround",)),  # 14.8 m: Rules 23(a) and 30(b)
        ("turnstone", RULE_23D1, ("allround",)),  # 10.8 m
        ("dotterel", RULE_23A, ("allround",)),  # 17.6 m
    ],
)
def test_the_boats_navigation_cycles_show_exactly_permitted_sets(name, under, anchor):
    spec = load_spec(boat_path(name)).spec
    shown = [tuple(sorted(spec.circuits[c].light for c in p)) for p in spec.functions["navigation"].positions]
    assert shown == [under, anchor, ()]
    assert under in under_way(spec.boat)
    assert anchor in at_anchor(spec.boat)
    assert check(spec) == []


def test_the_sailing_yachts_cycle_shows_permitted_sets_under_engine_under_sail_and_at_anchor():
    spec = load_spec(boat_path("greenshank")).spec
    shown = [tuple(sorted(spec.circuits[c].light for c in p)) for p in spec.functions["navigation"].positions]
    assert shown == [RULE_23A, ("sidelights", "stern"), ("allround",), ()]
    assert set(shown[:2]) <= set(under_way(spec.boat))
    assert shown[2] in at_anchor(spec.boat)
    assert check(spec) == []


@pytest.mark.parametrize(
    "cycle",
    [
        "[[masthead, sidelights, stern_light], [anchor_light, sidelights], []]",
        "[[masthead, sidelights, stern_light], [anchor_light, stern_light], []]",
        "[[masthead, sidelights], [anchor_light], []]",
        "[[anchor_light, sidelights], [anchor_light], []]",  # Rule 23(d)(i) is for under 12 m
        "[[masthead, sidelights, stern_light, anchor_light], [anchor_light], []]",
    ],
)
def test_a_cycle_of_a_14_8_m_boat_with_other_lights_is_an_error(cycle):
    text = boat_path("fulmar").read_text(encoding="utf-8")
    right = "[[masthead, sidelights, stern_light], [anchor_light], []]"
    assert right in text
    found = check(parse_spec(text.replace(right, cycle)).spec)
    assert [c.severity for c in found] == ["error"]
    assert "COLREG Rules 23 and 30" in found[0].expected
