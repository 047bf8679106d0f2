"""Faults as data: each does something, each says what it must end in."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import asdict
from json import dumps

import pytest

from bench.core.errors import UsageError
from bench.core.frame import Frame
from bench.twin import Fault, Tables, Twin, boats, fault_kinds, load_tables
from bench.twin.faults import _APPLY
from bench.twin.tables import KeyRow

S, MS = 1_000_000_000, 1_000_000
BOATS = ("kittiwake", "dunlin", "fulmar")
LARGE = ("turnstone", "greenshank", "dotterel")
CASES = [(k.kind, b) for k in fault_kinds().values() for b in k.expected]


def test_there_are_at_least_34_kinds_each_with_code_and_a_case_on_the_first_boat() -> None:
    kinds = fault_kinds()
    assert len(kinds) >= 34
    assert set(kinds) == set(_APPLY)
    assert {k.where for k in kinds.values()} == {
        "tables",
        "firmware",
        "wiring",
        "sensor",
        "bus",
        "by hand",
        "to be seen",
        "beside a supply",
        "low supply",
    }
    assert all("kittiwake" in k.expected for k in kinds.values() if k.kind != "hand_noticed")
    assert dumps([asdict(k) for k in kinds.values()])


def test_every_expectation_is_whole() -> None:
    for kind in fault_kinds().values():
        for boat, expected in kind.expected.items():
            assert boat in (*BOATS, *LARGE)
            if expected.outcome == "fail":
                assert expected.subjects and not expected.reason
            else:
                assert expected.outcome in ("inconclusive", "not distinguishable")
                assert expected.reason and not expected.subjects


@pytest.mark.parametrize(("kind", "boat"), CASES)
def test_every_default_argument_fits_its_boat(kind: str, boat: str) -> None:
    twin = Twin(load_tables(boats()[boat]), faults=[Fault.parse(kind)])
    assert twin.run_until(200 * MS)


def worked(boat: str, faults: tuple[Fault, ...]) -> Iterator[list[Frame]]:
    """Frames of a long and varied session, piece by piece."""
    tables = load_tables(boats()[boat])
    twin = Twin(tables, seed=1, faults=faults, powered=False)
    rng = random.Random(boat)
    for box in tables.boxes:
        twin.supply(0, box.name, True)
    twin.receive(S, 0x18FF1351, b"\x00")
    t = 3 * S
    keys = list(tables.keys)
    code = {k: tables.operation[k.operation].code for k in keys if k.operation}
    bouts = [[(k, 60)] for k in keys] * 2
    bouts += [[(k, 60), (k, 60)] for k in keys if code.get(k) == "preset"]
    bouts += [[(k, 60), (g, 60)] for g in keys if code.get(g) == "all" for k in keys if _inside(tables, k, g)]
    bouts += [[(k, ms) for ms in (4700, 1500, 60, 60)] for k in keys if _dims(tables, k)]
    rng.shuffle(bouts)
    for bout in bouts:
        for key, held_ms in bout:
            t = _tap(twin, t, key, held_ms)
        yield twin.run_until(t)
    for held in [k for k in keys if code.get(k) == "while_held"]:
        twin.press(t, held.node, held.key)
        t += 100 * MS
        for key in keys:
            t = _tap(twin, t, key, 60) if key.operation != held.operation else t
        twin.release(t, held.node, held.key)
        yield twin.run_until(t)
    for box in tables.boxes:
        twin.supply(t, box.name, False)
        twin.supply(t + S, box.name, True)
    twin.receive(t + S, 0x18FF1351, b"\x00")
    t += 4 * S
    for key in {tables.operation[k.operation].channels: k for k in keys if code.get(k) == "toggle"}.values():
        c = tables.operation[key.operation].channels[0]
        if tables.channel[c].off_after_ms:
            for wait_s in (0, 4, 0) if twin.output(c) <= 0.0 else (0, 0, 4, 0):
                t = _tap(twin, t + wait_s * S, key, 60)
    yield twin.run_until(t)
    forced = {o.number for o in tables.operations for f in tables.forces if o.channels == (f.channel,)}
    for row in tables.inputs:
        for value in (1, 0):
            twin.sensor(t, row.number, value)
            t += 200 * MS
            for key in keys if value else []:
                t = _tap(twin, t, key, 60) if key.operation in forced else t
            yield twin.run_until(t)
    yield twin.run_until(t + 61 * S)
    yield from worked_by_hand(twin, t + 61 * S)


def worked_by_hand(twin: Twin, t: int) -> Iterator[list[Frame]]:
    """Each circuit with a key of its own, which is pressed meanwhile and afterwards."""
    toggles = {o.number: o.channels[0] for o in twin.tables.operations if o.code == "toggle"}
    keys = {toggles[k.operation]: k for k in twin.tables.keys if k.operation in toggles}
    box = twin.tables.boxes[0]
    for c, key in keys.items():
        for on in (True, False):
            twin.by_hand(t, box.name, c - box.first + 1, on)
            t = _tap(twin, t + 200 * MS, key, 60)
        yield twin.run_until(t)
    yield twin.run_until(t + S)


def _inside(tables: Tables, key: KeyRow, group: KeyRow) -> bool:
    operation = tables.operation.get(key.operation)
    members = tables.operation[group.operation].channels
    return operation is not None and operation.code == "toggle" and operation.channels[0] in members


def _dims(tables: Tables, key: KeyRow) -> bool:
    operation = tables.operation.get(key.operation)
    return operation is not None and any(tables.channel[c].dim for c in operation.channels)


def _tap(twin: Twin, t: int, key: KeyRow, held_ms: int) -> int:
    twin.press(t, key.node, key.key)
    twin.release(t + held_ms * MS, key.node, key.key)
    return t + (held_ms + 150) * MS


@pytest.mark.slow
@pytest.mark.parametrize("boat", BOATS[:2])
def test_each_kind_shows_in_the_frames_unless_it_says_it_cannot(boat: str) -> None:
    healthy = list(worked(boat, ()))
    wrong = []
    for kind in fault_kinds().values():
        if (expected := kind.expected.get(boat)) is None:
            continue
        faulty = worked(boat, (Fault(kind.kind),))
        same = all(a == b for a, b in zip(healthy, faulty, strict=True))
        if kind.where == "to be seen":  # nothing of it is on the bus
            assert same
            continue
        within_tolerance = kind.kind in ("swapped_alike", "on_change_lost")
        # no panel falls silent here, no key comes close to another and the supply stays as it is: see
        # tests/plan/test_plan_phases.py and tests/scenarios/test_scenario_low_supply.py
        elsewhere = kind.kind.startswith(("loss_", "shed_")) or kind.kind == "drops_second_press"
        if same and expected.outcome != "not distinguishable" and not elsewhere:
            wrong.append(f"{kind.kind} shows in nothing")
        if not same and expected.outcome == "not distinguishable" and not within_tolerance:
            wrong.append(f"{kind.kind} shows after all")
    assert not wrong


def test_equal_loads_crossed_give_equal_frames() -> None:
    assert worked_short(()) == worked_short((Fault("swapped_alike"),))


def worked_short(faults: tuple[Fault, ...]) -> list[Frame]:
    twin = Twin(load_tables(boats()["fulmar"]), seed=1, faults=faults)
    for i in range(8):
        twin.press((i + 1) * S, "panel wheel", 4)
        twin.release((i + 1) * S + 100 * MS, "panel wheel", 4)
    return twin.run_until(10 * S)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("chater", "unknown fault 'chater' - did you mean 'chatter'?"),
        ("chatter:main 99/40", "fault chatter: there is no channel 'main 99'"),
        ("restarts:-5", "-5 is out of range: MILLISECONDS after the start is from 0 to 86400000"),
        ("frames_lost:ChannelState1/3", "3 is out of range: SHARE is from 0 to 1"),
        ("frames_short:ChannelLevel2/8", "ChannelLevel2 has 8 bytes; 8 is no shorter length"),
        ("chatter:main 3", "fault chatter: 'main 3' does not fit - expected BOX CHANNEL/MILLISECONDS"),
        ("dim_rate:main 3/2", "fault dim_rate: 'main 3' does not dim"),
        ("key_dead:panel helm 77", "fault key_dead: there is no key 'panel helm 77'"),
        ("frames_stop:Nothing/5", "no box sends a frame 'Nothing'"),
    ],
)
def test_a_wrong_fault_is_one_clear_message(text: str, said: str) -> None:
    with pytest.raises(UsageError) as caught:
        Twin(load_tables(boats()["kittiwake"]), faults=[Fault.parse(text)])
    assert said in str(caught.value)


def test_a_boat_without_a_default_says_so_with_an_example() -> None:
    with pytest.raises(
        UsageError, match=r"no argument of its own for dunlin.*outside_key_wired:panel helm 9"
    ):
        Twin(load_tables(boats()["dunlin"]), faults=[Fault("outside_key_wired")])
