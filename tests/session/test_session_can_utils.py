"""can-utils reads what we write, and we read what it writes. Runs where vcan0 is: inside tests/uml."""

import random
import subprocess
import sys
from pathlib import Path

import pytest

from bench.core.clock import SystemClock
from bench.core.frame import Frame
from bench.session import format_frame, parse_line

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "conformance"))
from socketcan_ends import has_vcan

pytestmark = [
    pytest.mark.realtime,
    pytest.mark.alone,
    pytest.mark.slow,
    pytest.mark.skipif(not has_vcan(), reason="no vcan0 here; `make conformance` makes one"),
]
MS = 1_000_000
START_NS = 1_700_000_000_000_000_000


def frames():
    """Of both sizes, all lengths, 1 ms apart; remote frames among them."""
    chance = random.Random(4)
    made = []
    for n in range(200):
        extended = chance.random() < 0.6
        can_id = chance.getrandbits(29 if extended else 11)
        t_ns = START_NS + n * MS
        if n % 20 == 7:
            made.append(Frame(t_ns, can_id, b"", extended, bus="vcan0", remote=True, dlc=n % 8 + 1))
        else:
            made.append(Frame(t_ns, can_id, chance.randbytes(n % 9), extended, bus="vcan0"))
    return made


def content(frame):
    return frame.can_id, frame.data, frame.extended, frame.remote, frame.dlc


def on_the_bus(text, tmp_path):
    """What candump -L writes of vcan0 while canplayer plays the text."""
    log, written = tmp_path / "ours.log", tmp_path / "theirs.log"
    log.write_text(text)
    clock = SystemClock()
    with written.open("wb") as out:
        witness = subprocess.Popen(["candump", "-L", "vcan0"], stdout=out)
        try:
            clock.wait_until(clock.now_ns() + 500 * MS)
            subprocess.run(["canplayer", "-I", str(log), "vcan0=vcan0"], check=True)
            clock.wait_until(clock.now_ns() + 300 * MS)
        finally:
            witness.terminate()
            witness.wait()
    return written.read_bytes().splitlines()


def test_canplayer_plays_what_we_write_and_we_read_what_candump_writes(tmp_path):
    """One round trip through both programs: every frame comes back as it was, in order."""
    sent = frames()
    lines = on_the_bus("".join(map(format_frame, sent)), tmp_path)
    assert [content(parse_line(line)) for line in lines] == [content(f) for f in sent]


def test_the_stamps_that_candump_writes_are_read_to_the_microsecond(tmp_path):
    lines = on_the_bus("".join(map(format_frame, frames()[:20])), tmp_path)
    for line in lines:
        stamp = line[1 : line.index(b")")].replace(b".", b"")
        assert parse_line(line).t_ns == int(stamp) * 1000


def test_log2asc_reads_what_we_write(tmp_path):
    """A second reader of the same text, without a bus."""
    (tmp_path / "ours.log").write_text("".join(map(format_frame, frames()[:7])))
    command = ["log2asc", "-I", "ours.log", "vcan0"]
    told = subprocess.run(command, cwd=tmp_path, check=True, capture_output=True, text=True).stdout
    rows = [line.split() for line in told.splitlines() if " d " in line]
    assert [(int(row[2].rstrip("x"), 16), bytes.fromhex("".join(row[6:]))) for row in rows] == [
        (f.can_id, f.data) for f in frames()[:7]
    ]
