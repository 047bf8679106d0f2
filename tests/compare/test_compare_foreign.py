"""Recordings of another logger: what it lost or stamped late is no difference between two boxes."""

import random
import re

import pytest

from bench.cli.comparing import compare_paths
from bench.compare.result import CANNOT_TELL, DIFFERENT
from bench.evidence.cuts import RECORDINGS

pytestmark = pytest.mark.slow
LINE = re.compile(r"\((\d+)\.(\d{6})\) can0 (\w+)(#\w*)")


def rows_of(name):
    text = (RECORDINGS / name / "frames.log").read_text(encoding="ascii")
    return [(int(a + b), can_id, data) for a, b, can_id, data in LINE.findall(text)]


def compared(tmp_path, one, other):
    paths = tmp_path / "a.log", tmp_path / "b.log"
    for path, rows in zip(paths, (one, other), strict=True):
        lines = [
            f"({us // 1_000_000}.{us % 1_000_000:06d}) can0 {can_id}{data}\n" for us, can_id, data in rows
        ]
        path.write_text("".join(lines), encoding="ascii")
    return compare_paths(*map(str, paths), spec="demo")


def late(rows, chance):
    """Each stamped late by its own amount; frames of one identifier stay in order."""
    out, last_us = [], {}
    for us, can_id, data in rows:
        last_us[can_id] = max(us + chance.randrange(19_500), last_us.get(can_id, 0) + 1)
        out.append((last_us[can_id], can_id, data))
    return sorted(out)


def stepped_back(rows, chance):
    at = chance.randrange(600, len(rows) - 600)
    return rows[:at] + [(us - 10_000_000, *rest) for us, *rest in rows[at:]]


def begun_later(rows, chance):
    return rows[chance.randrange(900, 1000) :]


def lossy(rows, chance):
    return [row for row in rows if chance.random() > 0.5]


@pytest.mark.parametrize("damage", [late, stepped_back, begun_later, lossy])
def test_what_a_logger_did_is_no_difference(damage, tmp_path):
    rows = rows_of("healthy-short")
    for seed in range(4):
        found = compared(tmp_path, rows, damage(rows, random.Random(seed)))
        assert (found.outcome, found.differences) == (CANNOT_TELL, ())


def test_frames_that_counters_miss_and_stamps_that_step_back_are_named(tmp_path):
    rows = rows_of("healthy-short")
    lost = next(n for n, row in enumerate(rows) if n > 900 and row[1] == "0CFF1051")
    found = compared(tmp_path, rows, rows[:lost] + rows[lost + 1 :])
    assert "B: frames are missing in 1 places, as counters show" in found.doubts
    found = compared(tmp_path, rows, stepped_back(rows, random.Random(1)))
    assert any(re.search(r"B: stamps run backwards by up to \d+ ms", doubt) for doubt in found.doubts)


def test_a_fault_is_still_a_difference(tmp_path):
    chance = random.Random(5)
    found = compared(
        tmp_path, late(rows_of("healthy-full"), chance), late(rows_of("fault-member_missing"), chance)
    )
    assert found.outcome == DIFFERENT
    assert ("state", "side_step") in {(d.kind, d.subject) for d in found.differences}
