"""The rule that needs definitions beside the spec."""

import pytest

from bench.data import boat_path
from bench.definitions import load_definitions
from bench.rules.slow_bus import bus_words, check_bus
from bench.spec import parse_spec

TEXT = boat_path("kittiwake").read_text(encoding="utf-8")


def found(respond_ms, bitrate=250_000):
    text = TEXT.replace("respond_ms: 100", f"respond_ms: {respond_ms}", 1)
    spec = parse_spec(text, "b.yaml").spec
    definitions = load_definitions(spec, boat_path("kittiwake").parent)
    return [c.text for c in check_bus(spec, definitions.messages(), bitrate)], bus_words(
        definitions.messages(), bitrate
    )


def test_a_response_time_with_room_for_the_bus_is_right():
    assert found(100)[0] == []


def test_a_response_time_without_room_for_the_bus_is_warned_of():
    texts, _ = found(52)
    assert len(texts) == 1
    assert texts[0].startswith("respond_ms 52 cannot always be kept at 250000 bit/s: box 50 ms and ")


@pytest.mark.parametrize("bitrate", [10_000, 20_000])
def test_a_bus_that_can_be_full_is_warned_of(bitrate):
    texts, words = found(100, bitrate)
    assert "the bus can be full" in texts[0]
    assert words.endswith("never gets through.")


def test_the_bus_in_words_names_load_and_longest_wait():
    assert "frames/s and take" in found(100)[1]
    assert "main/Identity is through" in found(100)[1] or "main/KeyAck is through" in found(100)[1]
