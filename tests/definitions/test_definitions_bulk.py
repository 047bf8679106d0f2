"""Bulk reading gives the same as reading frame by frame, on random and on damaged frames."""

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.core.frame import Frame
from bench.definitions.bulk import EXTENDED


def random_frames(definitions, seed, count):
    """Frames of every bound message with random payloads, some of them damaged or foreign."""
    rnd = random.Random(seed)
    messages = definitions.messages()
    frames = []
    for _ in range(count):
        m = rnd.choice(messages)
        length = m.length if rnd.random() < 0.9 else rnd.randrange(9)
        levels = bytes(rnd.randrange(20, 221) for _ in range(max(0, length - 1)))
        alike = bytes([rnd.choice([0, 10, 20, 1, 255])]) * length
        data = rnd.choice(
            [rnd.randbytes(length), alike, (levels + bytes([rnd.choice([0, 10, 20, 30])]))[:length]]
        )
        can_id = m.can_id if rnd.random() < 0.95 else m.can_id ^ 1 << rnd.randrange(11)
        if m.extended and rnd.random() < 0.1:
            can_id ^= 1 << 26  # another priority
        frames.append(Frame(len(frames), can_id, data, m.extended))
    return frames


def as_arrays(frames):
    ids = np.array([f.can_id | (EXTENDED if f.extended else 0) for f in frames], dtype=np.uint32)
    payloads = np.zeros((len(frames), 8), dtype=np.uint8)
    for k, f in enumerate(frames):
        payloads[k, : len(f.data)] = list(f.data)
        payloads[k, len(f.data) :] = 0xA5  # what lies beyond the length must not matter
    return ids, payloads, np.array([len(f.data) for f in frames])


def one_by_one(definitions, frames):
    """Signal -> [(row, raw, value)], and rows of what could not be read."""
    columns, bad, others = {}, [], []
    for k, frame in enumerate(frames):
        reading = definitions.decode(frame)
        if reading is None or reading.is_control:
            continue
        if reading.undecodable is not None:
            bad.append((k, reading.undecodable))
        for o in reading.observations:
            if o.signal.startswith(("identity:", "ack:")):
                others.append((k, o))
            else:
                columns.setdefault(o.signal, []).append((k, o.raw, o.value))
    return columns, bad, others


def assert_same(definitions, frames):
    bulk = definitions.decode_bulk(*as_arrays(frames))
    columns, bad, others = one_by_one(definitions, frames)
    assert set(bulk.columns) == set(columns)
    for signal, samples in columns.items():
        got = bulk.columns[signal]
        assert got.rows.tolist() == [k for k, _, _ in samples]
        assert got.raw.tolist() == [raw for _, raw, _ in samples]
        values = [math.nan if v is None else v for _, _, v in samples]
        np.testing.assert_array_equal(got.values, values)  # to the last bit, NaN equal to NaN
    assert bulk.undecodable == bad
    assert bulk.others == others
    return bulk


@pytest.mark.slow
@given(seed=st.integers(0, 2**32))
@settings(max_examples=25, deadline=None, derandomize=True)
def test_bulk_reads_what_frame_by_frame_reads(every_boat, seed):
    for definitions in every_boat:
        assert_same(definitions, random_frames(definitions, seed, 120))


@pytest.fixture(scope="module")
def every_boat(boat_spec):
    from bench.definitions import load_definitions

    specs = [
        boat_spec("kittiwake", main=("switchbox.dbc", "kittiwake.binding.yaml")),
        boat_spec(
            "fulmar",
            fore=("switchbox.dbc", "fulmar_fore.binding.yaml"),
            aft=("switchbox.dbc", "fulmar_aft.binding.yaml"),
        ),
        boat_spec("kittiwake", main=("untidy.dbc", "untidy.binding.yaml")),
    ]
    return [load_definitions(s, None) for s in specs]


def test_bulk_of_many_frames_has_every_signal_and_the_damaged_rows(untidy):
    frames = random_frames(untidy, 7, 3000)
    bulk = assert_same(untidy, frames)
    assert set(bulk.columns) == {s for s in untidy.signal_message if not s.startswith("identity:")}
    assert {u.kind for _, u in bulk.undecodable} == {"short", "long", "range", "mux"}


def test_bulk_of_nothing_is_empty(kittiwake):
    bulk = kittiwake.decode_bulk(np.zeros(0, np.uint32), np.zeros((0, 8), np.uint8), np.zeros(0, np.int64))
    assert (dict(bulk.columns), bulk.undecodable, bulk.others) == ({}, [], [])
