# ruff: noqa: E501 - whole sentences are compared
import pytest

from bench.core.errors import SpecError
from bench.data import boat_path
from bench.spec import load_profile, load_spec, match_profile, parse_profile
from bench.spec.profile import FixedSupply, Fixture, Limits, Resistor, SerialSupply

GOOD = """hardstand_bench: 1
name: Bench by the window
adapter: slcan:/dev/ttyACM0
clock: host
echo: none
confirms: true
jitter_ms: 3
supply: {fixed_v: 13.2}
circuits:
  horn: {load: none}
  search_light: {load: {ohm: 6}}
channels: {main: {3: {load: {ohm: 12}}}}
fixtures: {seat: {does: by_hand, by: person, on: [horn]}}
limits: {horn_s: 1, pump_dry_s: 4}
"""
LEAST = "hardstand_bench: 1\nadapter: twin\nclock: device\necho: flagged\nconfirms: false\njitter_ms: 0.5\n"
SPEC = load_spec(boat_path("kittiwake")).spec


def complaints(text):
    with pytest.raises(SpecError) as caught:
        parse_profile(text, "bench.yaml")
    return [c.render() for c in caught.value.complaints]


def test_a_profile_says_what_stands_on_the_bench(tmp_path):
    path = tmp_path / "bench.yaml"
    path.write_text(GOOD, encoding="utf-8")
    profile = load_profile(path)
    assert (profile.adapter, profile.clock, profile.echo, profile.confirms) == ("slcan:/dev/ttyACM0", "host", "none", True)  # fmt: skip
    assert (profile.jitter_ms, profile.supply, profile.limits) == (3, FixedSupply(13.2), Limits(1, 4))
    assert profile.fixtures == {"seat": Fixture("seat", "by_hand", "person", ("horn",))}
    assert match_profile(profile, SPEC) == ()


def test_a_load_is_named_by_circuit_or_channel_and_is_the_specs_otherwise():
    profile = parse_profile(GOOD)
    assert profile.load_of(SPEC, "horn") == "none"
    assert profile.load_of(SPEC, "search_light") == Resistor(6)
    assert profile.load_of(SPEC, "deck_fwd") == Resistor(12)
    assert profile.load_of(SPEC, "deck_aft") == "as_spec"


def test_what_is_left_out_is_no_load_bank_no_supply_no_limits():
    profile = parse_profile(LEAST)
    assert (profile.supply, profile.circuits, profile.channels, profile.limits) == ("none", {}, {}, Limits())


def test_complaints_come_at_once_with_line_and_nearest_word():
    found = complaints(
        "hardstand_bench: 1\nadaptor: x\nclock: hots\necho: none\nconfirms: yes\nsupply: fixed\n"
    )
    assert found == [
        'bench.yaml:1:1: error: the bench profile says no "adapter" and "jitter_ms" - expected adapter: text; '
        "jitter_ms: number from 0 to 600000 in ms",
        'bench.yaml:2:1: error: unknown key "adaptor" in the bench profile - expected hardstand_bench, name, adapter, '
        "clock, echo, confirms, jitter_ms, supply, circuits, channels, fixtures or limits - "
        'did you mean "adapter"?',
        'bench.yaml:3:8: error: "hots" is not a word known here - expected host or device - did you mean "host"?',
        'bench.yaml:5:11: error: "yes" is neither true nor false - expected true or false',
        'bench.yaml:6:9: error: "fixed" is not a word known here - expected none, or a table of fixed_v, '
        "limit_a, port, volts, dialect, detects_a, lag_ms, least_v or most_v",
    ]  # fmt: skip


def test_a_spec_is_no_profile_and_a_newer_profile_is_refused_by_name():
    spec = complaints("hardstand: 1\n")
    assert spec == [
        'bench.yaml:1:1: error: this is a spec, not a bench profile - expected a file that begins "hardstand_bench: 1"'
    ]
    newer = complaints("hardstand_bench: 3\n")
    assert newer == [
        "bench.yaml:1:18: error: this bench profile is of version 3, newer than this program reads - "
        "expected hardstand_bench: 1 - install a newer hardstand"
    ]
    assert complaints("") == [
        'bench.yaml:1:1: error: the bench profile is empty - expected "hardstand_bench: 1" as its first key'
    ]


def test_a_profile_that_names_what_the_spec_lacks_is_told_so():
    profile = parse_profile(
        LEAST
        + "circuits: {hron: {load: none}, deck_fwd: {load: none}}\n"
        + "channels: {main: {3: {load: none}, 99: {load: none}}, mian: {1: {load: none}}}\n"
        + "fixtures: {f: {does: sensor, by: rig, on: [bilge_flaot]}}\n",
        "bench.yaml",
    )
    assert [c.render() for c in match_profile(profile, SPEC)] == [
        'bench.yaml:7:12: error: there is no circuit "hron" - did you mean "horn"?',
        'bench.yaml:8:19: error: circuit "deck_fwd" has two loads: by its name and by its channel 3 - '
        "expected one of them - delete one",
        "bench.yaml:8:36: error: no circuit is on channel 99 of box main - expected a channel that the spec uses",
        'bench.yaml:8:55: error: there is no box "mian" - expected main - did you mean "main"?',
        'bench.yaml:9:44: error: there is no circuit or sensor "bilge_flaot" - did you mean "bilge_float"?',
    ]


def test_a_supply_that_the_bench_switches_has_a_current_limit():
    profile = parse_profile(LEAST + "supply: {port: /dev/ttyUSB0, limit_a: 40, volts: 13.2}\n")
    assert profile.supply == SerialSupply(40, "/dev/ttyUSB0", 13.2, "scpi")
    assert parse_profile(LEAST + "supply: {limit_a: 40}\n").supply == SerialSupply(40)


@pytest.mark.parametrize(
    ("supply", "told"),
    [
        ("{port: COM3}", "the supply has neither fixed_v nor limit_a"),
        ("{fixed_v: 12, limit_a: 40, port: COM3}", "a supply of fixed voltage has no limit_a, port"),
    ],
)
def test_a_supply_is_fixed_or_switched_with_a_limit(supply, told):
    [found] = complaints(f"{LEAST}supply: {supply}\n")
    assert told in found and "bench.yaml:7:1" in found
