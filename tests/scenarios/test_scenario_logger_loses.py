"""Another logger loses frames, leaves some out or writes them twice: no such thing convicts a box."""

import re
from itertools import pairwise

import pytest

from bench.assess.offline import assessor_of, tell
from bench.cli.judging import judge_it
from bench.cli.loading import load_boat
from bench.cli.recordings import open_recording
from bench.core.errors import UsageError
from bench.core.verdict import FAIL, INCONCLUSIVE
from bench.evidence.cuts import RECORDINGS
from bench.oracle import Oracle
from bench.session import open_session

SENSOR = re.compile(r" 10FF1261#")
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


@pytest.mark.slow
def test_a_message_missing_for_long_convicts_only_where_no_counter_shows_losses(tmp_path):
    lines = lines_of("healthy-short")
    current = [place for place, line in enumerate(lines) if " 18FF3021#" in line][10:13]
    counted = next(place for place, line in enumerate(lines) if place > 1000 and " 14FF2021#" in line)
    assert outcome(judge(without(lines, *current), tmp_path)) == (FAIL, [("main", "frame_missing")])
    verdict = judge(without(lines, *current, counted), tmp_path)
    assert outcome(verdict) == (INCONCLUSIVE, [])
    assert any(d.reason.startswith("main/ChannelCurrent1 each 100 ms: none for") for d in verdict.doubts)


def begun_anew(lines, places, first):
    """The key frames at these places count from `first` on."""
    lines = list(lines)
    for count, place in enumerate(places, first):
        data, tail = lines[place][: lines[place].index("#") + 5], lines[place][lines[place].index("#") + 7 :]
        lines[place] = f"{data}{count % 256:02X}{tail}"
    return lines


@pytest.mark.slow
def test_keys_lost_before_their_counter_began_anew_never_convict(tmp_path):
    lines = lines_of("healthy-short")
    keys = [place for place, line in enumerate(lines) if " 0CFF1051#" in line]
    at = next(n for n in range(4, len(keys)) if "FD" in lines[keys[n]].partition("#")[2])
    lost, rest = keys[at : at + 2], keys[at + 2 :]  # down and up
    verdict = judge(without(begun_anew(lines, rest, 1), *lost), tmp_path)
    assert outcome(verdict) == (INCONCLUSIVE, [])
    assert any("screen helm began anew" in doubt.reason for doubt in verdict.doubts)


@pytest.mark.slow
def test_a_key_is_no_repetition_because_its_counter_came_round_unseen(tmp_path):
    lines = lines_of("healthy-short")
    keys = [place for place, line in enumerate(lines) if " 0CFF1051#" in line]
    first = int(lines[keys[1]].partition("#")[2][4:6], 16)
    lines = begun_anew(lines, keys[5:], first)
    verdict = judge(without(lines, *keys[2:5]), tmp_path)
    assert outcome(verdict) == (INCONCLUSIVE, [])


@pytest.mark.slow
@pytest.mark.parametrize("place", [1, -1])
def test_keys_that_no_counter_surrounds_never_convict_where_frames_are_missing(place, tmp_path):
    lines = lines_of("healthy-short")
    downs = [n for n, line in enumerate(lines) if " 0CFF1041#" in line and "FD" in line.partition("#")[2]]
    down = downs[0] if place > 0 else downs[-1]
    key = lines[down].partition("#")[2][:2]
    up = next(n for n in range(down, len(lines)) if f" 0CFF1041#{key}FC" in lines[n])
    counted = next(n for n, line in enumerate(lines) if n > 1000 and " 14FF2021#" in line)
    assert outcome(judge(without(lines, down, up, counted), tmp_path)) == (INCONCLUSIVE, [])


@pytest.mark.slow
def test_a_recording_without_what_was_sent_convicts_nobody(tmp_path):
    verdict = judge([line for line in lines_of("healthy-short") if line.endswith("R")], tmp_path)
    assert outcome(verdict) == (INCONCLUSIVE, [])
    assert any("nothing was heard of panel helm and screen helm" in d.reason for d in verdict.doubts)


@pytest.mark.slow
def test_each_frame_written_twice_is_a_doubt(tmp_path):
    verdict = judge([line for line in lines_of("healthy-short") for _ in range(2)], tmp_path)
    assert outcome(verdict) == (INCONCLUSIVE, [])
    assert any("came twice 5 times: sent so by the box, or written so by the logger" in d.reason
               for d in verdict.doubts)  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("name", ["healthy-short", "healthy-full"])  # one by one, and many at a time
def test_the_same_bus_on_two_interfaces_is_refused(name, tmp_path):
    lines = [both for line in lines_of(name) for both in (line, line.replace(" can0 ", " can1 "))]
    with pytest.raises(UsageError) as caught:
        judge(lines, tmp_path)
    assert str(caught.value) == (
        f"{tmp_path / 'a.log'}: error: frames of this boat with identifier CFF1041 came on can0 and on can1"
        " - expected each on one interface"
        " - keep one interface and judge that, such as: grep ' can0 ' IN > OUT"
    )


@pytest.mark.slow
@pytest.mark.parametrize("name", ["healthy-short", "healthy-full"])
def test_another_bus_and_an_interface_that_was_renamed_do_no_harm(name, tmp_path):
    lines = lines_of(name)
    alone = judge(lines, tmp_path)
    other = [x for line in lines for x in (line, line[:20] + "can1 123#" + line.partition("#")[2])]
    assert outcome(judge(other, tmp_path)) == outcome(alone)
    half = len(lines) // 2
    renamed = [*lines[:half], *(line.replace(" can0 ", " can7 ") for line in lines[half:])]
    assert outcome(judge(renamed, tmp_path)) == outcome(alone)


@pytest.mark.slow
@pytest.mark.parametrize("many", [False, True], ids=["one by one", "many at a time"])
def test_a_sensor_frame_that_is_missing_never_convicts(many, tmp_path):
    lines = lines_of("healthy-full")
    frames = [place for place, line in enumerate(lines) if SENSOR.search(line)]
    news = [b for a, b in pairwise(frames) if lines[a].split("#")[1][:4] != lines[b].split("#")[1][:4]]
    assert len(news) > 4
    for place in news:
        path = tmp_path / "a.log"
        path.write_text("\n".join([*without(lines, place), ""]), encoding="ascii")
        boat, session = load_boat("demo"), open_session(path)
        assessor = assessor_of(session, boat.spec, boat.definitions, Oracle(boat.spec))
        tell(session, assessor, boat.definitions, many=many)
        verdict = assessor.finish()
        assert outcome(verdict) == (INCONCLUSIVE, []), lines[place]
        assert any("counts on by 2: frames of it were not seen" in d.reason for d in verdict.doubts)
