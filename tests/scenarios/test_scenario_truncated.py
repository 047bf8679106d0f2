"""A session cut off at any byte opens, says that it was cut, and loses no whole line."""

from pathlib import Path

import pytest

from bench.evidence.truncated import cut_everywhere

RECORDINGS = Path(__file__).resolve().parents[2] / "recordings"


@pytest.mark.slow
@pytest.mark.parametrize("name", ["frames.log", "marks.jsonl"])
def test_no_whole_line_is_lost(name):
    cuts, troubles = cut_everywhere(RECORDINGS / "fault-open_load", name, 37)
    assert (cuts, troubles) == (28, [])
