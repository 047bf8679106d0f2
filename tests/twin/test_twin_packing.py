"""The twin's own packing against cantools, a general-purpose library, on the definitions in dbc/."""

from __future__ import annotations

import random
import re
from pathlib import Path

import cantools
import pytest

from bench.twin import Twin, boats, load_tables
from bench.twin.packing import duration_ns

DBC = Path(__file__).parents[2] / "dbc"
S = 1_000_000_000
FAULTS = {0: 0, 1: 9, 2: 3, 3: 12}


def shaken(name: str, seed: int, hand: tuple[str, int] = ("main", 17)) -> Twin:
    """A twin in a random state, reached by presses, with one circuit by hand."""
    tables = load_tables(boats()[name])
    twin, rng = Twin(tables, seed=seed), random.Random(seed)
    for i in range(30):
        key = rng.choice([k for k in tables.keys if k.operation])
        twin.press(S + i * 100_000_000, key.node, key.key)
        twin.release(S + i * 100_000_000 + 50_000_000, key.node, key.key)
    twin.by_hand(5 * S, *hand, True)
    twin.run_until(6 * S)
    return twin


def latest(twin: Twin) -> dict[tuple[int, bool], bytes]:
    return {(f.can_id, f.extended): f.data for f in twin.run_until(8 * S)}


@pytest.mark.parametrize("seed", range(4))
def test_every_state_level_lamp_and_fault_decodes_to_what_the_box_does(seed: int) -> None:
    twin = shaken("kittiwake", seed)
    db = cantools.database.load_file(DBC / "switchbox.dbc")
    masked = {m.frame_id & 0x1FFFFF00: m for m in db.messages}
    values: dict[str, float] = {}
    for (can_id, extended), data in latest(twin).items():
        assert extended
        values.update(masked[can_id & 0x1FFFFF00].decode(data, decode_choices=False))
    for c in range(1, 25):
        assert values[f"State{c:02d}"] == int(twin.output(c) > 0), c
        assert values[f"Level{c:02d}"] == pytest.approx(twin.output(c), abs=0.21), c
        assert values[f"Fault{c:02d}"] == twin.fault(c), c
    for key in twin.tables.keys:
        if key.node == "panel helm":
            assert values[f"Lamp{key.key:02d}"] in (twin.lamp(key.node, key.key), 3)
    assert values["Firmware"] == 1 << 8 | 4
    assert values["Configuration"] == 0x5A17C0DE
    assert values["Voltage"] == pytest.approx(twin.volts, abs=0.05)


@pytest.mark.parametrize("seed", range(4))
def test_the_untidy_layout_decodes_to_the_same_box(seed: int) -> None:
    twin = shaken("kittiwake_untidy", seed)
    db = cantools.database.load_file(DBC / "untidy.dbc", strict=False)
    by_id = {m.frame_id & 0x1FFFFF00 if m.is_extended_frame else m.frame_id: m for m in db.messages}
    values: dict[str, float] = {}
    frames = twin.run_until(8 * S)
    for f in frames:
        message = by_id[f.can_id & 0x1FFFFF00 if f.extended else f.can_id]
        assert len(f.data) == message.length, message.name
        values.update(message.decode(f.data, decode_choices=False))
    for c in range(1, 12):
        assert values[f"nAus_{c}"] == int(not twin.output(c) > 0), c
    for c in range(1, 25):
        assert values[f"Hell{c}"] == pytest.approx(twin.output(c), abs=0.26), c
        assert values[f"Fehler_{c:02d}"] == FAULTS[twin.fault(c)], c
    assert values["Pruefsumme"] == 0x5A17C0DE
    assert values["U_Bord"] == pytest.approx(twin.volts * 1000, abs=20)


# boat -> a circuit to take by hand, and what tells a box's frames: low byte of the identifier, or its block
LARGE = {
    "turnstone": (("aft", 16), {0x21: 0, 0x22: 24}),
    "greenshank": (("bow", 15), {0x1: 0, 0x2: 16, 0x3: 32}),
    "dotterel": (("deck", 20), {0x21: 0, 0x22: 24}),
}


@pytest.mark.parametrize("name", LARGE)
def test_every_state_level_and_fault_of_a_boat_of_48_channels_decodes_to_what_its_boxes_do(name: str) -> None:
    hand, offsets = LARGE[name]
    twin = shaken(name, 1, hand)
    db = cantools.database.load_file(DBC / f"{name}.dbc")
    by_id = {m.frame_id & 0x1FFFFF00 if m.is_extended_frame else m.frame_id: m for m in db.messages}
    values: dict[tuple[str, int], float] = {}
    for f in twin.run_until(8 * S):
        message = by_id[f.can_id & 0x1FFFFF00 if f.extended else f.can_id]
        assert len(f.data) == message.length, message.name
        offset = offsets[f.can_id & 0xFF if f.extended else f.can_id >> 8]
        for signal, value in message.decode(f.data, decode_choices=False).items():
            if found := re.fullmatch(r"(State|Level|Fault|Current)(\d+)", signal):
                values[found[1], offset + int(found[2])] = float(value)
    assert {c for kind, c in values if kind == "Current"} == set(range(1, 49))
    on = 0
    for c in range(1, 49):
        on += twin.output(c) > 0
        assert values["State", c] == int(twin.output(c) > 0), c
        assert values["Level", c] == pytest.approx(twin.output(c), abs=0.26), c
        assert values["Fault", c] == twin.fault(c), c
    assert on >= 5


# Source: Davis, Burns, Bril, Lukkien 2007, worst-case bits 80 + 10 n and 55 + 10 n (facts CAN-04, CAN-05)
@pytest.mark.parametrize(
    ("size", "extended", "bits"), [(8, True, 160), (0, True, 80), (8, False, 135), (1, False, 65)]
)
def test_frame_time_is_the_published_worst_case(size: int, extended: bool, bits: int) -> None:
    assert duration_ns(size, extended) == bits * 4000
