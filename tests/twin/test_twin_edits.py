"""Every single edit of a boat's tables: each applies, each changes something, none comes twice."""

from collections import Counter

import pytest

from bench.lab.api import boat_tables
from bench.twin.edits import single_edits
from bench.twin.fault_tables import TABLE_FAULTS
from bench.twin.quirks import Quirks

BOATS = ("Kittiwake", "Dunlin", "Fulmar", "Turnstone", "Greenshank", "Dotterel")


@pytest.mark.parametrize("name", BOATS)
def test_each_edit_applies_and_changes_the_tables_and_comes_once(name):
    tables = boat_tables(name)
    edits = list(single_edits(tables))
    assert len(set(edits)) == len(edits) > 900
    for edit in edits:
        quirks = Quirks()
        assert edit.apply(tables, quirks) != tables or quirks != Quirks(), edit


def test_their_number_is_what_the_tables_make_it():
    """The demo boat, counted by hand from its page: 33 keys of which 26 share no other's work and so on."""
    kinds = Counter(e.kind for e in single_edits(boat_tables("Kittiwake")))
    assert kinds["key_dead"] == 33  # 11 on the panel, 22 on the screen
    assert kinds["swapped_outputs"] == 24 * 23 // 2
    assert kinds["wake_missing"] + kinds["wake_extra"] == 24
    assert kinds["momentary_latches"] == 4  # horn, wash_wipe, anchor up and down
    assert kinds["step_missing"] == 6 and kinds["steps_swapped"] == 6  # two cycles of three positions
    assert kinds["timer_short"] == kinds["timer_long"] == kinds["timer_missing"] == 1
    assert kinds["dim_missing"] == 3
    assert kinds["loss_ignored"] == 3 and kinds["loss_time_wrong"] == 6  # panel, screen, float switch
    assert kinds["loss_dim_flipped"] == kinds["loss_others_flipped"] == 2 == kinds["loss_sensor_wrong"]


def test_loads_are_exchanged_at_one_box():
    pairs = [e.argument for e in single_edits(boat_tables("Fulmar")) if e.kind == "swapped_outputs"]
    assert len(pairs) == 2 * (16 * 15 // 2)
    assert all(len({name.split()[0] for name in pair.split("/")}) == 1 for pair in pairs)


def test_they_are_of_nearly_every_kind_of_table_fault():
    kinds = {e.kind for name in BOATS for e in single_edits(boat_tables(name))}
    assert set(TABLE_FAULTS) - kinds == {"trip_not_cleared"}  # shows only on a rig
