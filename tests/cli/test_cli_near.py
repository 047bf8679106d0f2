"""Frames for a report out of a long recording: the same as if all of it were read."""

import random

import pytest

from bench.cli.near import frames_near
from bench.core.frame import Frame
from bench.core.verdict import FAIL, Deviation, Discrepancy, Verdict
from bench.evidence.reading import make_recording
from bench.report import excerpts
from bench.session import open_session


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    path = tmp_path_factory.mktemp("near") / "long.log"
    make_recording(path, 50_000)
    return open_session(path)


def root(number, t_ns, frame_index=None):
    return Discrepancy(
        number, "a", Deviation("level", "level:a", "a", t_ns, "0", "1", frame_index=frame_index)
    )


@pytest.mark.parametrize("seed", range(4))
def test_an_excerpt_of_a_long_recording_holds_what_one_of_all_of_it_does(recording, seed):
    frames = [e for e in recording.entries() if isinstance(e, Frame)]
    starts = [chunk.first for chunk in recording.chunks()]
    assert len(starts) > 2
    chance = random.Random(seed)
    places = [0, len(frames) - 1, *(start + chance.randrange(-4, 5) for start in starts[1:])]
    places += [chance.randrange(len(frames)) for _ in range(2)]
    instants = [frames[place].t_ns + chance.choice((0, 1)) for place in places] + [frames[-1].t_ns + 5]
    found = [root(n, frames[k].t_ns, k) for n, k in enumerate(places, 1)]
    found += [root(n, t_ns) for n, t_ns in enumerate(instants, 100)]
    chosen = found[seed::4] if seed < 3 else found
    near = [*frames_near(recording, [d.root for d in chosen])]
    verdict = Verdict(FAIL, tuple(chosen))
    assert excerpts(near, verdict) == excerpts(enumerate(frames), verdict)
    assert all(excerpts(near, verdict).values())


def test_little_is_read_frame_by_frame_where_little_is_shown(recording):
    assert len([*frames_near(recording, [root(1, 0, 3).root])]) < 30_000
    assert [*frames_near(recording, [])] == []
