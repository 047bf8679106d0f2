"""Judging by stretches, sampled: alike to the letter, and a stretch that hides something would be noticed."""

import random

import pytest

from bench.assess import skim
from bench.assess.offline import WHOLE
from bench.core.verdict import PASS
from bench.evidence import stretches
from bench.evidence.boat_log import write_log
from bench.lab.api import load_boat
from bench.session import open_session


@pytest.mark.slow
@pytest.mark.parametrize("kind", stretches.KINDS)
@pytest.mark.parametrize("name", stretches.BOATS)
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
    write_log(path, boat, 120_000)
    return path


def late_in(boat, log, message):
    """Numbers of the message's frames in the recording's second half."""
    readings = [boat.definitions.decode(f) for f in open_session(log).entries()]
    return [n for n, r in enumerate(readings) if n > 60_000 and r and r.message == f"main/{message}"]


@pytest.mark.slow
def test_of_a_boat_in_use_nearly_all_is_passed_over(boat, log):
    quick = stretches.judged(boat, log, 20.0, WHOLE, many=True)
    assert quick.finish().outcome == PASS
    assert quick.passed_over > 0.99 * 120_000
    assert stretches.believed(quick) == stretches.believed(
        stretches.judged(boat, log, 20.0, WHOLE, many=False)
    )


@pytest.mark.slow
@pytest.mark.parametrize("what", ["value", "counter", "silence", "current"])
def test_one_odd_frame_in_a_long_quiet_stretch_is_not_passed_over(boat, log, tmp_path, what):
    """Each at a place where tens of thousands of frames say nothing new."""
    lines = log.read_text().splitlines(keepends=True)
    message = {"silence": "ChannelLevel1", "current": "ChannelCurrent1"}.get(what, "ChannelState1")
    ours = late_in(boat, log, message)
    at = ours[7]
    head, _, data = lines[at].partition("#")
    changed = {
        "value": lambda: data[0] + ("4" if data[1] != "4" else "1") + data[2:],
        "current": lambda: "0700" + data[4:],
        "counter": lambda: None,
        "silence": lambda: None,
    }[what]()
    if changed is not None:
        lines[at] = f"{head}#{changed}"
    gone = {"counter": ours[7:8], "silence": ours[7:40]}.get(what, [])
    path = tmp_path / "odd.log"
    path.write_text("".join(line for n, line in enumerate(lines) if n not in set(gone)))
    plain = stretches.judged(boat, path, 20.0, WHOLE, many=False)
    quick = stretches.judged(boat, path, 20.0, WHOLE, many=True)
    assert stretches.believed(quick) == stretches.believed(plain)
    assert stretches.believed(quick) != stretches.believed(
        stretches.judged(boat, log, 20.0, WHOLE, many=True)
    )
    if what == "value":
        assert quick.finish().discrepancies


@pytest.mark.slow
def test_the_comparison_notices_a_stretch_that_goes_on_too_long(boat, log, tmp_path, monkeypatch):
    lines = log.read_text().splitlines(keepends=True)
    path = tmp_path / "lost.log"
    at = late_in(boat, log, "ChannelState1")[7]
    path.write_text("".join(lines[:at] + lines[at + 1 :]))
    plain = stretches.judged(boat, path, 20.0, WHOLE, many=False)
    monkeypatch.setattr(skim.Lanes, "_counters", lambda self: None)
    blind = stretches.judged(boat, path, 20.0, WHOLE, many=True)
    assert stretches.believed(blind) != stretches.believed(plain)


def test_jitter_keeps_the_order_of_one_identifier(boat, log):
    frames = list(open_session(log).entries())[:2000]
    moved = stretches.late(frames, 12.0, random.Random(3))
    for can_id in {f.can_id for f in frames}:
        a, b = ([f.data for f in some if f.can_id == can_id] for some in (frames, moved))
        assert a == b
