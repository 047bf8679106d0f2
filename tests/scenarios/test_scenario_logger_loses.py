"""Another logger loses frames, leaves some out or writes them twice: no such thing convicts a box."""

import re

import pytest

from bench.cli.judging import judge_it
from bench.cli.recordings import open_recording
from bench.core.verdict import INCONCLUSIVE
from bench.evidence.cuts import RECORDINGS

KEY, LAMPS_OF_SCREEN = re.compile(r" 0CFF10..#"), re.compile(r" 14FF4421#")


def lines_of(name):
    return (RECORDINGS / name / "frames.log").read_text(encoding="ascii").splitlines()


def judge(lines, tmp_path):
    path = tmp_path / "a.log"
    path.write_text("\n".join([*lines, ""]), encoding="ascii")
    return judge_it(open_recording([str(path)]), "demo")[1].verdict


def without(lines, *places):
    return [line for place, line in enumerate(lines) if place not in places]


def outcome(verdict):
    return verdict.outcome, [(d.subject, d.root.kind) for d in verdict.discrepancies]


@pytest.mark.slow
@pytest.mark.parametrize("way", ["T", "R"])
def test_a_key_frame_that_is_missing_never_convicts_whoever_sent_it(way, tmp_path):
    lines = [line[:-1] + way for line in lines_of("healthy-short")]
    keys = [place for place, line in enumerate(lines) if KEY.search(line)]
    for place in keys[3:60:7]:
        verdict = judge(without(lines, place), tmp_path)
        assert outcome(verdict) == (INCONCLUSIVE, []), lines[place]
        assert any("keys of" in doubt.reason for doubt in verdict.doubts)


def test_lamps_not_seen_since_the_box_booted_are_a_doubt(tmp_path):
    lines = lines_of("healthy-short")
    first = [place for place, line in enumerate(lines) if LAMPS_OF_SCREEN.search(line)][:2]
    assert outcome(judge(without(lines, *first), tmp_path)) == (INCONCLUSIVE, [])
