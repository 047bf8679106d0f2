"""The electrical model against hand-computed and published values."""

from __future__ import annotations

import math
import random

import pytest

from bench.twin import Twin, boats, load_tables, parse_tables
from bench.twin.electrics import (
    INRUSH_ENDS_NS,
    SOURCE_OHM,
    Electrics,
    blade_opens_after_s,
    inrush,
    overload_amps,
    steady_amps,
    trip_after_s,
)
from bench.twin.quirks import Quirks
from bench.twin.tables import ChannelRow
from bench.twin.wires import awg_mm2, wire_ohm

S = 1_000_000_000
BOATS = ("kittiwake", "dunlin", "fulmar")


# Source: solid copper at 20 degC, 100 % IACS, as tables of wire give it (facts WIR-14, confirmed to 3 digits)
@pytest.mark.parametrize(
    ("awg", "ohm_per_km"), [(18, 20.95), (16, 13.17), (14, 8.286), (12, 5.211), (10, 3.277)]
)
def test_copper_resistance_agrees_with_wire_tables(awg: int, ohm_per_km: float) -> None:
    assert wire_ohm(500.0, awg_mm2(awg)) == pytest.approx(ohm_per_km, rel=5e-3)


# Source: ISO 8820-3 blade fuses as transcribed (1.6 x and 2 x of the
# regular type from memory)
def test_blade_fuse_holds_at_1_1_times_its_rating() -> None:
    assert blade_opens_after_s(11.0, 10.0) == math.inf


@pytest.mark.parametrize(
    ("times", "low_s", "high_s"), [(1.35, 0.75, 120.0), (1.6, 0.3, 50.0), (2.0, 0.15, 5.0)]
)
def test_blade_fuse_opens_inside_the_published_band(times: float, low_s: float, high_s: float) -> None:
    assert low_s <= blade_opens_after_s(times * 7.5, 7.5) <= high_s


# Source: common practice, no source: a cold filament draws 10 to 15 times its hot current
def test_cold_filament_draws_ten_to_fifteen_times_and_its_wire_limits_that() -> None:
    lamp = ChannelRow(1, "lamp", 4.5)
    peak, _ = inrush(lamp, 12.0, 0.0)
    assert 10.0 <= peak + 1.0 <= 15.0
    # by hand: hot 12 V / 4.5 A = 2.667 ohm, cold 2.667 / 12 = 0.222; with 0.1 ohm: 2.767 / 0.322 = 8.59
    limited, _ = inrush(lamp, 12.0, 0.1)
    assert limited + 1.0 == pytest.approx(8.59, abs=0.01)


def test_steady_currents_by_hand() -> None:
    assert steady_amps(ChannelRow(1, "resistive", 6.0), 12.0, 10.0, 100.0) == pytest.approx(5.0)
    assert steady_amps(ChannelRow(1, "led", 2.0), 12.0, 10.0, 50.0) == pytest.approx(1.2)
    # filament: 4.5 A x (10/12)^0.55 = 4.0706 A (common practice, no source)
    assert steady_amps(ChannelRow(1, "lamp", 4.5), 12.0, 10.0, 100.0) == pytest.approx(4.0706, abs=1e-3)
    assert steady_amps(ChannelRow(1, "motor", 4.0), 12.0, 12.0, 0.0) == 0.0


def test_wire_and_source_drop_by_hand() -> None:
    # 12 V, 1 ohm load (12 A at 12 V), 0.2 ohm of wire, 8 mohm source: 12 / 1.208 = 9.934 A
    row = "[[channel]]\nnumber = 1\namps = 12\nwire = { mm2 = 1.0, one_way_m = 5.8 }\n"
    tables = parse_tables(_small(1) + row)
    assert tables.channels[0].wire_ohm == pytest.approx(0.2)
    electrics = Electrics(tables, Quirks(), random.Random(1))
    electrics.drive(1, 100.0, 0)
    electrics.refresh(10 * S)
    assert electrics.amps(1, 10 * S) == pytest.approx(9.934, abs=0.02)
    assert electrics.volts == pytest.approx(12.0 - 9.934 * SOURCE_OHM, abs=0.01)


def _small(channels: int) -> str:
    box = f'name = "main"\nchannels = {channels}\nothers = "dark"\ntrip_at_wake = "kept"'
    return f'tables = 1\nname = "s"\n[[box]]\n{box}\nhand_sensed = "flag"\nhand_presses = "ignored"\n'


@pytest.mark.parametrize("boat", BOATS)
def test_inrush_is_over_within_250_ms_of_switching_on(boat: str) -> None:
    for row in load_tables(boats()[boat]).channels:
        peak, tau = inrush(row, 12.0, row.wire_ohm)
        assert INRUSH_ENDS_NS <= 220e6
        assert peak * math.exp(-INRUSH_ENDS_NS / tau) < 0.015, row


@pytest.mark.parametrize("boat", BOATS)
def test_starting_a_motor_trips_no_electronic_fuse(boat: str) -> None:
    tables = load_tables(boats()[boat])
    for row in tables.channels:
        if row.trip is None:
            continue
        peak, tau = inrush(row, 12.0, 0.0)
        heat, dt = 0.0, 0.0005
        for step in range(400):  # integrate (I/at)^2 - 1 while it is above 0
            amps = row.amps * (1.0 + peak * math.exp(-step * dt * 1e9 / tau))
            heat += max(0.0, (amps / row.trip.at_a) ** 2 - 1.0) * dt
        assert heat < 0.1, row


def test_electronic_fuse_is_inverse_in_time() -> None:
    assert trip_after_s(8.9, 9.0) == math.inf
    assert trip_after_s(18.0, 9.0) == pytest.approx(0.1 / 3.0)  # (2)^2 - 1 = 3
    assert trip_after_s(27.0, 9.0) < trip_after_s(18.0, 9.0)
    assert overload_amps(load_tables(boats()["kittiwake"]).channel[14]) == 27.0


def test_an_overload_trips_a_running_pump_and_reports_it() -> None:
    twin = Twin(load_tables(boats()["kittiwake"]), seed=4)
    twin.press(S, "screen helm", 36)
    twin.release(S + 100_000_000, "screen helm", 36)
    twin.run_until(2 * S)
    assert twin.output(14) == 100.0
    twin.overload(2 * S, "main", 14, True)
    twin.run_until(2 * S + 60_000_000)
    assert (twin.output(14), twin.fault(14)) == (0.0, 1)


def test_a_circuit_without_electronic_fuse_blows_its_blade() -> None:
    twin = Twin(load_tables(boats()["kittiwake"]), seed=4)
    twin.press(S, "screen helm", 37)
    twin.release(S + 100_000_000, "screen helm", 37)
    twin.overload(2 * S, "main", 17, True)
    assert twin.truth(2 * S)["main", 17].amps == pytest.approx(30.0)
    assert twin.truth(3 * S)["main", 17] == (0.0, 0.0)
    assert twin.output(17) == 100.0  # the box does not know


@pytest.mark.parametrize("boat", BOATS)
def test_reported_currents_stay_inside_the_accuracy_the_boat_states(boat: str) -> None:
    tables = load_tables(boats()[boat])
    gain, offset = {"kittiwake": (3, 0.10), "dunlin": (5, 0.10), "fulmar": (3, 0.05)}[boat]
    for seed in range(5):
        electrics = Electrics(tables, Quirks(), random.Random(seed))
        for row in tables.channels:
            electrics.drive(row.number, 100.0, 0)
        electrics.refresh(10 * S)
        for row in tables.channels:
            sense, true = tables.box_of(row.number).sense, electrics.amps(row.number, 10 * S)
            error = abs(electrics.counts[row.number] * sense.step_a - true) + sense.noise_a + sense.step_a / 2
            assert error <= true * gain / 100 + offset + 1e-9, row
