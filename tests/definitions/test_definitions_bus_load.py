"""Bus load of our own definitions, and the arithmetic against a published set of messages."""

import pytest

from bench.definitions.bus_load import bus_load
from bench.definitions.readings import BoundMessage


def message(name, length, cycle_ms, extended=False):
    return BoundMessage(name, "n", 0, 0x7FF, extended, length, cycle_ms, None, ())


# SAE benchmark of 17 messages: bytes, period in ms (Tindell and Burns 1994; the set from memory)
SAE = [
    (1, 1000), (2, 5), (1, 5), (2, 5), (1, 5), (2, 5), (6, 10), (1, 10), (2, 10), (2, 10), (1, 100), (4, 100),
    (1, 100), (1, 100), (3, 1000), (1, 1000), (1, 1000),
]  # fmt: skip


@pytest.mark.parametrize(
    ("bitrate", "pct"), [(125_000, 85.74), (250_000, 42.87), (500_000, 21.44), (1_000_000, 10.72)]
)
def test_published_set_of_messages_has_its_published_load(bitrate, pct):
    """facts.md CAN-16: recomputed from the set; 85.74 also from memory."""
    load = bus_load([message(str(k), n, t) for k, (n, t) in enumerate(SAE)], bitrate)
    assert load.worst_pct == pytest.approx(pct, abs=0.005)


def test_one_message_by_hand():
    load = bus_load([message("m", 8, 100.0, extended=True), message("on demand", 8, None)], 250_000)
    assert load.frames_per_s == 10
    assert load.nominal_pct == pytest.approx(131 * 10 / 250_000 * 100)
    assert load.worst_pct == pytest.approx(160 * 10 / 250_000 * 100)
    assert load.not_cyclic == ("on demand",)


def test_the_boats_fit_their_bus_with_room_to_spare(kittiwake, fulmar):
    small, large = bus_load(kittiwake.messages(), 250_000), bus_load(fulmar.messages(), 250_000)
    assert 120 < small.frames_per_s < 140
    assert small.worst_pct < large.worst_pct < 20
    assert {"main/Boot", "main/KeyAck"} <= set(small.not_cyclic)
    assert sum(m.worst_pct for m in small.messages) == pytest.approx(small.worst_pct)
