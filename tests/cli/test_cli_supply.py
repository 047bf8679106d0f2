"""The words of a command line about the supply."""

import pytest

from bench.cli.loading import load_boat
from bench.cli.running import Wish, check_wish, supply_wish
from bench.core.errors import UsageError
from bench.core.link import Meter
from bench.rig import LAG_MS, Setting
from bench.rig.dialect import SHIPPED
from bench.run.api import SupplyWish
from bench.spec import parse_profile

LEAST = "hardstand_bench: 1\nadapter: twin\nclock: host\necho: none\nconfirms: true\njitter_ms: 3\n"
BOAT = load_boat("demo")


def wanted(supply, on="slcan:x", port=None):
    profile = parse_profile(f"{LEAST}supply: {supply}\n")
    return supply_wish(Wish("demo", on, None, supply=port), profile, BOAT)


def test_the_profile_says_limit_and_volts_and_the_command_line_the_port(tmp_path):
    nominal = {b.supply_v for b in BOAT.spec.boxes.values()}.pop()
    assert wanted("{limit_a: 40}", port="COM3") == SupplyWish("COM3", Setting(nominal, 40.0), "scpi")
    own = tmp_path / "own.toml"
    own.write_text((SHIPPED / "scpi.toml").read_text() + "[meter]\ndetects_a = 0.2\n")
    assert wanted(f"{{limit_a: 40, volts: 13.5, port: COM1, dialect: {own}}}") == SupplyWish(
        "COM1", Setting(13.5, 40.0, Meter(0.2, LAG_MS)), str(own)
    )
    assert wanted("{limit_a: 40, port: COM1}", port="COM3").port == "COM3"


def test_without_a_port_or_on_the_virtual_box_there_is_none():
    assert wanted("{limit_a: 40}") is None
    assert wanted("{fixed_v: 12}") is None
    assert wanted("{limit_a: 40, port: COM1}", on="twin") is None


def test_what_the_profile_states_of_the_readings_makes_the_supply_a_witness():
    assert wanted("{limit_a: 40, port: COM1, detects_a: 0.5}").setting.meter == Meter(0.5, LAG_MS)
    stated = wanted("{limit_a: 40, detects_a: 0.5, lag_ms: 80}", on="twin")
    assert (stated.port, stated.setting.meter) == ("simulated", Meter(0.5, 80.0))


@pytest.mark.parametrize("supply", ["none", "{fixed_v: 12}"])
def test_a_port_without_a_current_limit_is_refused(supply):
    with pytest.raises(UsageError, match="needs a current limit"):
        wanted(supply, port="COM3")


def test_the_virtual_box_in_this_process_needs_no_port():
    with pytest.raises(UsageError, match="--supply is for a real box"):
        check_wish(Wish("demo", "twin", None, supply="COM3"), BOAT)
