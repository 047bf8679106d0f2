"""Healthy and altered traces, sampled: no alarm where nothing is wrong, one where something is."""

import random

import pytest

from bench.evidence.corpus import alterations, one, trace_of
from bench.lab.alter import get_bits, put_bits
from bench.lab.api import load_boat


def test_bits_are_put_where_they_are_got():
    chance = random.Random(1)
    for _ in range(200):
        bits = chance.sample(range(64), chance.randrange(1, 20))
        data, value = chance.randbytes(8), chance.randrange(1 << len(bits))
        assert get_bits(put_bits(data, bits, value), bits) == value
        others = [b for b in range(64) if b not in bits]
        assert get_bits(put_bits(data, bits, value), others) == get_bits(data, others)


@pytest.mark.slow
@pytest.mark.parametrize(("name", "seed"), [("kittiwake", 5005), ("dunlin", 5003), ("fulmar", 5001)])
def test_a_healthy_trace_raises_no_alarm_and_every_fault_in_it_does(name, seed):
    boat, tallies = load_boat(name), {}
    clean = one(boat, seed, tallies)
    assert clean.discrepancies == () and clean.judged_samples > 10_000
    assert len(tallies) == 6
    assert {kind: (t.found, t.named) for kind, t in tallies.items()} == dict.fromkeys(tallies, (1, 1))


@pytest.mark.slow
def test_an_altered_trace_differs_in_frames_of_its_message_alone():
    boat = load_boat("dunlin")
    trace = trace_of(boat, 5003)
    ours = trace.definitions.signal_message
    for altered in alterations(boat, trace, random.Random(3)):
        changed = set(altered.frames) ^ set(trace.frames)
        messages = {boat.definitions.decode(f).message for f in changed}
        assert messages == {ours[altered.change.signal]}, altered.kind
