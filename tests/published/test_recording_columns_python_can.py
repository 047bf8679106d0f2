"""Columns to text and text to columns against python-can's reader and writer (can/io/canutils.py, 4.6.1)."""

import random

import can
import pytest

from bench.core.frame import Frame
from bench.evidence.mutations import fast
from bench.session.columns import from_frames
from bench.session.writing import text_of


def plain_frames(count, seed):
    chance = random.Random(seed)
    t_us = 1_700_000_000_000_000
    for _ in range(count):
        t_us += chance.randrange(1_000_000)
        extended = chance.random() < 0.7
        can_id = chance.randrange(1 << 29 if extended else 1 << 11)
        data = chance.randbytes(chance.randrange(9))
        yield Frame(
            t_us * 1000, can_id, data, extended, chance.choice("RT"), chance.choice(["can0", "vcan11"])
        )


def as_tuple(message):
    way = "R" if message.is_rx else "T"
    t_us = round(message.timestamp * 1e6)
    return t_us, message.arbitration_id, bytes(message.data), message.is_extended_id, way, message.channel


@pytest.mark.parametrize("seed", range(3))
def test_python_can_reads_from_our_columns_what_was_written(tmp_path, seed):
    some = list(plain_frames(500, seed))
    (tmp_path / "x.log").write_bytes(text_of(from_frames(some)))
    with can.CanutilsLogReader(tmp_path / "x.log") as reader:
        found = [as_tuple(m) for m in reader]
    assert found == [(f.t_ns // 1000, *f[1:6]) for f in some]


@pytest.mark.parametrize("seed", range(3))
def test_we_read_into_columns_what_python_can_wrote(tmp_path, seed):
    some = list(plain_frames(500, seed))
    with can.CanutilsLogWriter(tmp_path / "x.log") as writer:
        for f in some:
            writer.on_message_received(
                can.Message(
                    timestamp=f.t_ns / 1e9,
                    arbitration_id=f.can_id,
                    is_extended_id=f.extended,
                    data=f.data,
                    is_rx=f.direction == "R",
                    channel=f.bus,
                )
            )
    assert fast(tmp_path / "x.log", 1 << 14)[0] == some
