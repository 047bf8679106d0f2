"""Presses that fail while something else is on, or after other keys; defects wherever a box can have
them."""

from collections import Counter

import pytest

from bench.core.errors import UsageError
from bench.lab.api import boat_tables
from bench.twin import Fault, Twin
from bench.twin.defects import box_defects
from bench.twin.groups import within
from bench.twin.hidden import cross_talk, history, stray_off
from bench.twin.quirks import Quirks

S = 1_000_000_000
BOATS = ("Kittiwake", "Dunlin", "Fulmar", "Turnstone", "Greenshank", "Dotterel")


def tap(twin, t_s, node, key):
    twin.press(int(t_s * S), node, key)
    twin.release(int((t_s + 0.1) * S), node, key)
    twin.run_until(int((t_s + 0.2) * S))


def taps(fault, keys, *channels):
    """What these outputs are after each of the keys, a second apart."""
    twin = Twin(boat_tables("Kittiwake"), faults=[fault])
    seen = []
    for t_s, key in enumerate(keys, 1):
        tap(twin, t_s, "screen helm", key)
        seen.append(tuple(twin.output(c) for c in channels))
    return seen


def test_a_key_fails_only_while_the_outputs_are_as_said():
    """Kittiwake: engine_fan is main 19 on screen key 38, fresh_water 17 on 37, usb_outlets 24 on 41."""
    fault = Fault("cross_talk", "screen helm 38/main 17 on/main 24 off")
    seen = [on for (on,) in taps(fault, (38, 37, 38, 41, 38, 37, 38), 19)]
    assert seen == [100, 100, 100, 100, 0, 0, 100]  # the third press found 17 on and 24 off


def test_a_key_takes_another_circuit_along_only_while_the_outputs_are_as_said():
    fault = Fault("stray_off", "screen helm 38/main 17/main 24 off")
    assert taps(fault, (37, 38, 37, 41, 38, 41, 38), 17, 19) == [
        (100, 0), (0, 100), (100, 100), (100, 100), (100, 0), (100, 0), (0, 100),
    ]  # fmt: skip


def test_what_a_lock_keeps_as_it_is_is_not_taken_along():
    """Kittiwake: bilge_float forces bilge_aft, main 14 on screen key 36, and presses are ignored then."""
    fault = Fault("stray_off", "screen helm 38/main 14")
    twin = Twin(boat_tables("Kittiwake"), faults=[fault])
    tap(twin, 1, "screen helm", 36)
    twin.sensor(2 * S, 1, True)
    tap(twin, 3, "screen helm", 38)
    assert (twin.output(14), twin.output(19)) == (100, 100)
    twin.sensor(4 * S, 1, False)
    twin.run_until(5 * S)
    assert twin.output(14) == 100  # as it was stored before the force


def test_a_key_fails_only_right_after_the_keys_named_of_its_own_circuits():
    """Kittiwake: deck is panel key 2; deck_fwd, deck_aft are screen keys 25, 26; fresh_water, 37, counts for
    nothing."""
    fault = Fault("after_keys", "screen helm 27/screen helm 25/screen helm 26")
    twin = Twin(boat_tables("Kittiwake"), faults=[fault])
    tap(twin, 0.5, "screen helm", 27)  # side_step is on from waking up: off, since no key came before
    seen = [twin.output(5)]
    for t_s, key in enumerate((26, 25, 27, 27, 25, 26, 37, 27, 27), 1):
        tap(twin, t_s, "screen helm", key)
        seen.append(twin.output(5))
    assert seen == [0, 0, 0, 100, 0, 0, 0, 0, 0, 100]  # the last but one failed


def test_waking_up_forgets_which_keys_came_before():
    fault = Fault("after_keys", "screen helm 25/screen helm 26")
    twin = Twin(boat_tables("Kittiwake"), faults=[fault])
    tap(twin, 1, "screen helm", 26)
    twin.wake(2 * S)
    tap(twin, 3, "screen helm", 25)
    assert twin.output(3) == 100


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ("cross_talk:panel helm 9/main 1 on", "key 'panel helm 9' does nothing"),
        ("cross_talk:panel helm 2/main 1", "'main 1' does not end in on or off"),
        ("cross_talk:panel helm 2", "no channel is named that would be in the way"),
        ("stray_off:panel helm 9/main 1", "key 'panel helm 9' does nothing"),
        ("stray_off:panel helm 2/main 1/main 2", "'main 2' does not end in on or off"),
        ("after_keys:panel helm 2", "no key works circuits that hang together with its own"),
        (
            "after_keys:panel helm 2/panel helm 3",
            "panel helm 3 works circuits that hang together with its own",
        ),
    ],
)
def test_arguments_that_do_not_fit_are_refused_with_what_is_wrong(fault, said):
    with pytest.raises(UsageError) as refused:
        Fault.parse(fault).apply(boat_tables("Kittiwake"), Quirks())
    assert said in str(refused.value)


@pytest.mark.parametrize("name", BOATS)
def test_each_one_drawn_fits_its_boat_and_comes_once(name):
    tables = boat_tables(name)
    drawn = [
        *(e for n in (1, 2) for e in cross_talk(tables, n, 30)),
        *(e for n in (1, 2) for e in stray_off(tables, n, 30)),
        *(e for n in (1, 2, 3) for e in history(tables, n, 15)),
        *history(tables, 3, 15, shared=True),
    ]
    kinds = Counter(e.kind for e in drawn)
    assert kinds["cross-talk, one circuit"] == kinds["cross-talk, two circuits"] == 30
    assert kinds["stray off, one circuit"] == kinds["stray off, two circuits"] == 30
    assert kinds["history, three keys before"] == kinds["history of scenes, on and off"] == 15
    assert len({e.argument for e in drawn}) == len(drawn)
    for edit in drawn:
        quirks = Quirks()
        assert edit.faults[0].apply(tables, quirks) == tables
        assert len(quirks.mishaps) == 1


def test_cross_talk_comes_from_circuits_that_nothing_ties_to_the_key():
    tables = boat_tables("Kittiwake")
    for edit in (*cross_talk(tables, 2, 60), *stray_off(tables, 2, 60)):
        quirks = Quirks()
        edit.faults[0].apply(tables, quirks)
        (mishap,) = quirks.mishaps
        mine = within(tables.operation[mishap.operation].members, tables)
        assert len({c for c, _ in mishap.outputs} - mine) == 2
        assert any(on for _, on in mishap.outputs)
        assert mishap.stray in (None, mishap.outputs[0][0])


def test_the_same_seed_draws_the_same():
    tables = boat_tables("Fulmar")
    assert list(history(tables, 2, 20)) == list(history(tables, 2, 20))
    assert list(history(tables, 2, 20)) != list(history(tables, 2, 20, seed=2))


@pytest.mark.parametrize("name", BOATS)
def test_defects_of_the_box_fit_everywhere_they_are_put(name):
    tables = boat_tables(name)
    defects = list(box_defects(tables))
    assert len(set(defects)) == len(defects) > 5
    for defect in defects:
        assert Twin(tables, faults=[defect]).run_until(S)


def test_defects_are_on_every_channel_that_a_key_works():
    kinds = Counter(d.kind for d in box_defects(boat_tables("Kittiwake")))
    assert kinds["chatter"] == kinds["open_load"] == 24
    assert kinds["timer_survives_off"] == kinds["memory_lost"] == 1
    assert kinds["high_resistance"] == 1  # of a size that fits one circuit
    assert not kinds["trip_never"]  # by agreement not to be found without a rig
