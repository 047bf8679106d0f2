"""Judging by stretches, sampled: alike to the letter, and a stretch that hides something would be noticed."""

import random

import pytest

from bench.assess import skim
from bench.core.frame import Frame
from bench.core.verdict import PASS
from bench.evidence import boat_log, stretches
from bench.evidence.walks import walked
from bench.lab.api import load_boat
from bench.session import format_frame, open_session
from bench.twin import Fault


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "kind"),
    [(stretches.BOATS[n % 3], kind) for n, kind in enumerate(stretches.KINDS)],  # each kind on one boat
)
def test_a_recording_is_judged_alike_both_ways(name, kind):
    tally = stretches.Tally()
    stretches.one(load_boat(name), 7100, kind, tally)
    assert (tally.judged, tally.wrong, tally.alarms) == (1, [], [])


@pytest.fixture(scope="module")
def boat():
    return load_boat("kittiwake")


@pytest.fixture(scope="module")
def log(tmp_path_factory, boat):
    path = tmp_path_factory.mktemp("log") / "boat.log"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(boat_log, "EVERY_S", 60.0)
        boat_log.write_log(path, boat, 120_000)
    return path


def frames_of(boat, log, message):
    """Numbers of the message's frames in the recording's second half."""
    readings = [boat.definitions.decode(f) for f in open_session(log).entries()]
    return [n for n, r in enumerate(readings) if n > 60_000 and r and r.message == message]


@pytest.mark.slow
def test_of_a_boat_in_use_nearly_all_is_passed_over(boat, log):
    quick = stretches.judged(boat, log, 20.0, many=True)
    assert quick.finish().outcome == PASS
    assert quick.passed_over > 0.96 * 120_000
    assert stretches.believed(quick) == stretches.believed(stretches.judged(boat, log, 20.0, many=False))


ODD = {  # message, how its frame is changed, and how many frames are changed or missing
    "a value": ("main/ChannelState1", lambda d: d[0] + ("4" if d[1] != "4" else "1") + d[2:], 1),
    "a current, twice": ("main/ChannelCurrent1", lambda d: "0700" + d[4:], 2),
    "a counter": ("main/ChannelState1", None, 1),
    "a silent message": ("main/ChannelLevel1", None, 33),
    "a silent panel": ("panel helm/ControlAlive", None, 5),
    "a panel silent for nearly too long": ("panel helm/ControlAlive", None, 2),
}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("what", "rows"), [(what, stretches.BATCHES[n % 3]) for n, what in enumerate((*ODD, *list(ODD)[1:]))]
)
def test_one_odd_frame_in_a_long_quiet_stretch_is_not_passed_over(boat, log, tmp_path, what, rows):
    """Each at a place where thousands of frames say nothing new."""
    message, changed, count = ODD[what]
    lines = log.read_text().splitlines(keepends=True)
    ours = frames_of(boat, log, message)[7 : 7 + count]
    assert len(ours) == count
    for n in ours:
        head, _, data = lines[n].partition("#")
        lines[n] = "" if changed is None else f"{head}#{changed(data)}"
    path = tmp_path / "odd.log"
    path.write_text("".join(lines))
    plain = stretches.judged(boat, path, 20.0, many=False)
    quick = stretches.judged(boat, path, 20.0, many=True, rows=rows)
    assert stretches.believed(quick) == stretches.believed(plain)
    assert stretches.believed(quick) != stretches.believed(stretches.judged(boat, log, 20.0, many=True))
    if what == "a value":
        assert quick.finish().discrepancies


FOUND = [  # recordings whose verdict was once wrong, or unlike
    ("kittiwake", "frames missing", 7063),
    ("kittiwake", "with a fault", 7002),
    ("kittiwake", "stamps step back", 9201),
    ("dunlin", "bad lines", 7002),
    ("dunlin", "bad lines", 7058),
    ("dunlin", "bad lines", 9008),
    ("dunlin", "with a fault", 7055),
    ("fulmar", "bad lines", 7007),
    ("fulmar", "bad lines", 7088),
    ("fulmar", "bad lines", 8017),
    ("fulmar", "supplies and wake-ups", 7002),
    ("fulmar", "supplies and wake-ups", 7038),
    ("fulmar", "supplies and wake-ups", 9105),
]


@pytest.mark.slow
@pytest.mark.parametrize(("name", "kind", "seed"), FOUND)
def test_what_a_full_study_found_stays_mended(name, kind, seed):
    tally = stretches.Tally()
    stretches.one(load_boat(name), seed, kind, tally)
    assert (tally.judged, tally.wrong, tally.alarms) == (1, [], [])


@pytest.mark.slow
@pytest.mark.parametrize("name", ["kittiwake", "fulmar"])
def test_a_box_that_restarts_for_no_recorded_reason_is_taken_up_alike(name, tmp_path):
    boat = load_boat(name)
    walked(boat, 3, kinds=stretches.NO_SUPPLY, faults=(Fault.parse("restarts:9000"),), out=tmp_path / "own")
    frames = [e for e in open_session(tmp_path / "own").entries() if isinstance(e, Frame)]
    path = tmp_path / "foreign.log"
    path.write_text("".join(format_frame(f) for f in frames))
    plain = stretches.judged(boat, path, 3.0, many=False)
    assert stretches.believed(plain) == stretches.believed(stretches.judged(boat, path, 3.0, many=True))
    assert any("booted in this recording" in d.reason for d in plain.finish().doubts)


@pytest.mark.slow
def test_the_comparison_notices_a_stretch_that_goes_on_too_long(boat, log, tmp_path, monkeypatch):
    lines = log.read_text().splitlines(keepends=True)
    path = tmp_path / "lost.log"
    at = frames_of(boat, log, "main/ChannelState1")[7]
    path.write_text("".join(lines[:at] + lines[at + 1 :]))
    plain = stretches.judged(boat, path, 20.0, many=False)
    monkeypatch.setattr(skim.Lanes, "_counters", lambda self: None)
    blind = stretches.judged(boat, path, 20.0, many=True)
    assert stretches.believed(blind) != stretches.believed(plain)


def test_jitter_keeps_the_order_of_one_identifier(boat, log):
    frames = list(open_session(log).entries())[:2000]
    moved = stretches.late(frames, 12.0, random.Random(3))
    for can_id in {f.can_id for f in frames}:
        a, b = ([f.data for f in some if f.can_id == can_id] for some in (frames, moved))
        assert a == b
