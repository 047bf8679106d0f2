"""Frames on the bus: cycles, spacing, order, repeatability."""

from __future__ import annotations

from collections import defaultdict
from itertools import pairwise

import pytest

from bench.core.frame import Frame
from bench.twin import Fault, Twin, boats, load_tables

S, MS = 1_000_000_000, 1_000_000
BOATS = ("kittiwake", "dunlin", "fulmar", "kittiwake_untidy")


def played(boat: str, seed: int, faults: tuple[Fault, ...] = (), until_s: int = 6) -> list[Frame]:
    tables = load_tables(boats()[boat])
    twin = Twin(tables, seed=seed, faults=faults)
    keys = [k for k in tables.keys if k.operation]
    for i in range(10 * (until_s - 2)):
        key = keys[i * 7 % len(keys)]
        twin.press(S + i * 100 * MS, key.node, key.key)
        twin.release(S + i * 100 * MS + 60 * MS, key.node, key.key)
    return twin.run_until(until_s * S)


@pytest.mark.parametrize("boat", BOATS)
def test_one_seed_gives_the_same_bytes_and_another_does_not(boat: str) -> None:
    assert played(boat, 3) == played(boat, 3)
    assert played(boat, 3) != played(boat, 4)


def test_calls_in_small_steps_give_the_same_frames_as_one_long_step() -> None:
    tables = load_tables(boats()["kittiwake"])
    whole, stepped = Twin(tables, seed=1), Twin(tables, seed=1)
    frames: list[Frame] = []
    while (due := stepped.next_due()) is not None and due <= 2 * S:
        frames += stepped.run_until(due)
    assert frames + stepped.run_until(2 * S) == whole.run_until(2 * S)


@pytest.mark.parametrize("boat", BOATS)
def test_frames_never_overlap_and_stamps_are_whole_microseconds(boat: str) -> None:
    frames = played(boat, 5)
    for before, after in pairwise(frames):
        bits = (80 if after.extended else 55) + 10 * len(after.data)
        assert after.t_ns - before.t_ns >= bits * 4000
    assert all(f.t_ns % 1000 == 0 and f.direction == "R" for f in frames)


@pytest.mark.parametrize("boat", BOATS)
def test_every_cyclic_frame_keeps_its_cycle_and_its_spacing(boat: str) -> None:
    rows = {(f.id, not f.standard): f for f in load_tables(boats()[boat]).frames if f.cycle_ms}
    pages = [f.id for f in load_tables(boats()[boat]).frames]
    seen: dict[tuple[int, bool], list[int]] = defaultdict(list)
    for f in played(boat, 7):
        if (f.can_id, f.extended) in rows and pages.count(f.can_id) == 1:
            seen[f.can_id, f.extended].append(f.t_ns)
    for key, row in rows.items():
        if pages.count(row.id) > 1:
            continue
        gaps = [b - a for a, b in pairwise(seen[key])]
        assert max(gaps) <= (row.cycle_ms + 15) * MS, row.name
        assert min(gaps) >= ((row.on_change_ms or row.cycle_ms) - 15) * MS, row.name


def test_counters_rise_by_one_with_each_frame() -> None:
    state = [f.data[7] for f in played("kittiwake", 2) if f.can_id == 0x14FF2021]
    assert all((a + 1) & 255 == b for a, b in pairwise(state))


def test_a_repeated_event_counter_is_the_same_event_and_is_acknowledged_once() -> None:
    twin = Twin(load_tables(boats()["kittiwake"]), seed=1)
    for t, counter in ((1, 9), (2, 9), (3, 10)):
        twin.receive(t * S, 0x0CFF1051, bytes([37, 0xFD, counter]))
    acks = [f.data.hex() for f in twin.run_until(4 * S) if f.can_id == 0x18FF5421]
    assert acks == ["512509", "51250a"]
    assert twin.output(17) == 0.0  # on, ignored, off


def test_first_frame_after_power_is_boot_with_its_reason() -> None:
    twin = Twin(load_tables(boats()["kittiwake"]), seed=1, powered=False)
    assert twin.run_until(2 * S) == []
    assert twin.next_due() is None
    twin.supply(2 * S, "main", True)
    frames = twin.run_until(5 * S)
    assert (frames[0].can_id, frames[0].data) == (0x0CFF5121, bytes([1, 1]))
    assert frames[0].t_ns <= 4 * S
    twin.supply(5 * S, "main", False)
    assert twin.run_until(7 * S) == []
    assert twin.truth(7 * S)["main", 22].amps == 0.0


def test_boxes_woken_by_message_sleep_until_it_comes() -> None:
    twin = Twin(load_tables(boats()["fulmar"]), seed=1, powered=False)
    for box in ("fore", "aft"):
        twin.supply(S, box, True)
    assert twin.run_until(3 * S) == []
    twin.receive(3 * S, 0x18FF1351, bytes([0]))
    frames = twin.run_until(5 * S)
    assert {f.can_id for f in frames if f.can_id >> 8 & 0xFF == 0x51} == {0x0CFF5121, 0x0CFF5122}
    assert twin.output(19) == pytest.approx(40.0)


def test_a_node_that_falls_silent_lets_go_of_its_momentary_circuit() -> None:
    twin = Twin(load_tables(boats()["kittiwake"]), seed=1)
    twin.receive(S, 0x0CFF1041, bytes([3, 0xFD, 1]))
    twin.run_until(S + 1400 * MS)
    assert twin.output(11) == 100.0
    twin.run_until(S + 1600 * MS)
    assert twin.output(11) == 0.0


@pytest.mark.parametrize("data", [b"", b"\x01", b"\x01\xff\x00", b"\xff\xfd\x00"])
def test_a_frame_that_makes_no_sense_moves_nothing(data: bytes) -> None:
    twin = Twin(load_tables(boats()["kittiwake"]), seed=1)
    twin.receive(S, 0x0CFF1041, data)
    twin.receive(S, 0x1234, b"\x00" * 8)
    twin.run_until(2 * S)
    assert [c for c in range(1, 25) if twin.output(c) > 0.0] == [5, 22]


def test_a_low_supply_sheds_and_refuses_until_it_is_back() -> None:
    twin = Twin(load_tables(boats()["kittiwake"]), seed=1)
    twin.press(S, "screen helm", 32)
    twin.release(S + 100 * MS, "screen helm", 32)
    twin.set_volts(2 * S, 8.5)
    twin.run_until(2900 * MS)
    assert twin.output(15) == 100.0
    twin.run_until(3200 * MS)
    assert twin.output(15) == 0.0
    twin.press(4 * S, "screen helm", 32)
    twin.release(4 * S + 100 * MS, "screen helm", 32)
    twin.set_volts(5 * S, 12.0)
    twin.run_until(8 * S)
    assert twin.output(15) == 0.0
    twin.press(8 * S, "screen helm", 32)
    twin.run_until(8 * S + 100 * MS)
    assert twin.output(15) == 100.0


def test_the_lamp_of_a_count_goes_out_in_frames_when_the_count_starts_anew() -> None:
    twin = Twin(load_tables(boats()["fulmar"]), seed=1)
    twin.press(S, "panel wheel", 4)  # wipers stand at 1; the count starts anew 60 s later, the wiper runs on
    twin.release(S + 100 * MS, "panel wheel", 4)
    lamp = {f.t_ns: f.data[0] >> 6 & 3 for f in twin.run_until(63 * S) if f.can_id == 0x14FF4021}
    assert [lamp[min(t for t in lamp if t > at * S)] for at in (2, 60, 62)] == [1, 1, 0]
    assert twin.output(9) == 100.0
