"""Two virtual boxes side by side: what tells them apart, and when nothing does."""

import random

import pytest

from bench.lab.api import boat_tables
from bench.twin import Fault
from bench.twin.edits import single_edits
from bench.twin.groups import groups, within
from bench.twin.inputs import inputs_of
from bench.twin.lights import only_lights_differ, ways_alike
from bench.twin.product import compare
from bench.twin.quirks import Quirks
from bench.twin.states import FIXED, States

BOATS = ("Kittiwake", "Dunlin", "Fulmar", "Turnstone", "Greenshank", "Dotterel")


def everything(tables):
    return list(inputs_of(tables, tables, frozenset(tables.channel), rig=True))


@pytest.mark.parametrize("name", BOATS)
def test_a_box_put_back_is_as_one_that_was_never_anywhere_else(name):
    tables, chance = boat_tables(name), random.Random(name)
    inputs, box = everything(tables), States(tables)
    known = [(box.save(), (), box.key(), box.look())]
    for _ in range(80):
        saved, way, key, look = chance.choice(known[-15:])
        box.restore(saved)
        assert (box.key(), box.look()) == (key, look)
        way = (*way, chance.choice(inputs))
        box.do(way[-1])
        fresh = States(tables)
        for done in way:
            fresh.do(done)
        assert (fresh.key(), fresh.look()) == (box.key(), box.look()), [d.name for d in way]
        known.append((box.save(), way, box.key(), box.look()))
    assert len({key for _, _, key, _ in known}) > 15


@pytest.mark.parametrize("name", ["Kittiwake", "Dunlin", "Fulmar"])
def test_states_taken_for_the_same_go_on_the_same_way(name):
    tables, chance = boat_tables(name), random.Random(name)
    channels = within(chance.sample(sorted(tables.channel), 5), tables)
    inputs, box = list(inputs_of(tables, tables, channels, rig=True)), States(tables)
    had, met = {box.key(): box.save()}, 0
    start = box.save()
    for _ in range(40):
        box.restore(start)
        for _ in range(12):
            box.do(chance.choice(inputs))
            here, key = box.save(), box.key()
            there = had.setdefault(key, here)
            if there is here:
                continue
            met += 1
            looks = []
            after = [chance.choice(inputs) for _ in range(6)]
            for saved in (here, there):
                box.restore(saved)
                looks.append([(box.do(done), box.look()) for done in after])
            assert looks[0] == looks[1]
            box.restore(here)
    assert met > 10


def test_attributes_of_the_firmware_that_are_said_to_be_fixed_exist():
    box = States(boat_tables("Kittiwake"))
    for part, names in FIXED.items():
        assert names <= set(vars(box._parts[part])), part


def test_a_part_of_the_firmware_that_nobody_said_is_fixed_is_refused():
    box = States(boat_tables("Kittiwake"))
    box._parts["nodes"].newcomer = box.box
    with pytest.raises(TypeError, match="neither a value nor a part that is known not to change"):
        box.save()


@pytest.mark.parametrize(
    ("boat", "edit", "way", "shows"),
    [
        (
            "Kittiwake", "member_extra:panel helm 12/main 13",
            ("tap panel helm 4", "tap panel helm 4", "tap panel helm 12"), "main 13 at 100 %, or at 0 %",
        ),
        (
            "Kittiwake", "member_extra:panel helm 12/main 21",
            ("press panel helm 11", "tap panel helm 12"), "main 21 at 100 %, or at 0 %",
        ),
        (
            "Kittiwake", "timer_long:main 15/50",
            ("tap panel helm 7", "wait 20 s", "wait 20 s"), "main 10 at 0 %, or at 100 %",
        ),
        ("Dunlin", "wake_extra:main 1", ("wake up",), "main 1 at 0 %, or at 100 %"),
        (
            "Kittiwake", "loss_ignored:screen helm",
            ("press screen helm 34", "screen helm lost"), "main 18 at 0 %, or at 100 %",
        ),
        (
            "Kittiwake", "loss_sensor_wrong:input 1/rest",
            ("input 1 on", "input 1 lost"), "main 14 at 100 %, or at 0 %",
        ),
    ],
)  # fmt: skip
def test_the_shortest_way_to_a_difference_is_given(boat, edit, way, shows):
    found = compare(boat_tables(boat), [Fault.parse(edit)])
    assert (found.inputs, found.shows) == (way, shows)
    assert not found.equal


def test_a_difference_is_told_in_words_with_what_is_repeated_counted():
    tables = boat_tables("Kittiwake")
    found = compare(tables, [Fault.parse("member_extra:panel helm 12/main 13")])
    said = "2 times tap panel helm 4, tap panel helm 12: main 13 at 100 %, or at 0 %"
    assert found.words(tables) == said


def test_a_key_on_another_operation_that_does_the_same_is_equal():
    tables = boat_tables("Kittiwake")
    found = compare(tables, [Fault("wrong_channel", "screen helm 37/main 17")])
    assert found.equal and found.rig
    assert found.channels == (17,)
    assert found.pairs == 4  # off and on, each also by hand
    assert found.words(tables) == (
        "no difference by keys, sensors, waits, waking up, by hand, trips, lost panels and low supply in all "
        "4 pairs of states of main 17"
    )


def test_when_there_are_too_many_states_nothing_is_claimed():
    tables = boat_tables("Kittiwake")
    found = compare(tables, [Fault("wrong_channel", "screen helm 37/main 17")], most=1)
    assert not found.equal
    assert found.words(tables) == "no difference in 1 pairs of states of main 17; there are more of them"


@pytest.mark.parametrize(
    ("boat", "edit"),
    [
        ("Kittiwake", "loss_ignored:input 1"),  # lost, it is taken for what it was: docs/boats
        ("Kittiwake", "loss_time_wrong:input 1/1"),
        ("Fulmar", "loss_momentary_flipped:screen bridge"),  # it has no key that is held
    ],
)
def test_a_loss_that_changes_nothing_may_be_any(boat, edit):
    tables = boat_tables(boat)
    found = compare(tables, [Fault.parse(edit)])
    assert found.equal and found.words(tables) == "its loss changes nothing"


@pytest.mark.parametrize("fault", ["swapped_outputs:main 12/main 13", "late_key:screen helm 38/300"])
def test_nothing_is_said_of_defects_that_are_not_compared(fault):
    assert compare(boat_tables("Kittiwake"), [Fault.parse(fault)]) is None


def test_a_lamp_that_looks_at_channels_of_its_own_does_not_care_whose_operation_it_is():
    tables = boat_tables("Dunlin")
    found = compare(tables, [Fault("lamp_wrong_key", "panel nav 5/screen nav 22")])
    assert found.equal and found.lights > 100
    assert "the same lamps and lighting in all" in found.words(tables)


def test_lamps_that_are_alike_in_no_state_are_never_taken_for_equal():
    """Checked the other way: of lamp edits said to be equal no random walk shows a difference."""
    tables, chance = boat_tables("Dunlin"), random.Random("lamps")
    edits = [e for e in single_edits(tables) if e.kind.startswith(("lamp", "backlight"))]
    assert len(edits) > 200
    equal = [e for e in edits if ways_alike(tables, e.apply(tables, Quirks()))]
    assert all(only_lights_differ(tables, e.apply(tables, Quirks())) for e in edits)
    assert {e.argument.split("/")[0] for e in equal} == {"panel nav 5", "screen nav 26"}
    inputs = everything(tables)
    for edit in chance.sample(equal, 4):
        one, other = States(tables), States(tables, [edit])
        for _ in range(150):
            done = chance.choice(inputs)
            one.do(done)
            other.do(done)
            assert one.look() == other.look()


@pytest.mark.slow
def test_one_edit_of_each_kind_can_be_told_apart():
    tables = boat_tables("Dunlin")
    first = {e.kind: e for e in reversed(list(single_edits(tables)))}
    for kind, edit in first.items():
        found = compare(tables, [edit])
        if kind == "swapped_outputs":
            assert found is None
        else:
            assert found.inputs, (edit, found)


def test_groups_are_what_one_key_works_and_what_rules_tie():
    by_group = {}
    for c, leader in groups(boat_tables("Kittiwake")).items():
        by_group.setdefault(leader, set()).add(c)
    together = [g for g in by_group.values() if len(g) > 1]
    # navigation; deck; locker light and washdown; wipers and wash; bilges; anchor and heater: the boat's page
    assert together == [{1, 2}, {3, 4, 5}, {10, 15}, {12, 13, 18}, {14, 16}, {20, 21, 23}]
