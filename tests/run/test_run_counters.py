"""What the bench sends counts on, as panels and sensor modules do: from the first key to the last frame."""

from itertools import pairwise
from pathlib import Path

import pytest

from bench.cli.loading import load_boat
from bench.core.frame import TX, Frame
from bench.session import open_session

RECORDINGS = Path(__file__).parents[2] / "recordings"


@pytest.mark.parametrize("name", ["healthy-full", "healthy-short", "fault-open_load"])
def test_counters_of_all_that_was_sent_go_on_by_one(name):
    definitions = load_boat("demo").definitions
    counted: dict[str, list[int]] = {}
    for entry in open_session(RECORDINGS / name).entries():
        if not isinstance(entry, Frame) or entry.direction != TX:
            continue
        reading = definitions.decode(entry)
        where = definitions.level_counters.get(reading.message)
        if where is not None:
            counted.setdefault(reading.message, []).append(where.take(entry.data))
        for *_, counter in reading.events if where is None else ():
            counted.setdefault(reading.message, []).append(counter)
    assert {"panel helm/KeyEvent", "screen helm/KeyEvent"} < set(counted)
    for message, counts in counted.items():
        assert len(counts) > 10, message
        assert {(b - a) % 256 for a, b in pairwise(counts)} == {1}, message
