"""Recordings of another logger: no marks, one direction, stamps late by their own amounts; split, with
gaps, of two clocks; and parts of a recording. Never a wrong verdict, and what cannot be told is named."""

import gzip
import json
import random
import re

import pytest

from bench.cli import main
from bench.cli.judging import judge_it
from bench.cli.recordings import open_recording, part_of
from bench.core.errors import UsageError
from bench.core.verdict import FAIL, INCONCLUSIVE, PASS
from bench.evidence.cuts import RECORDINGS

pytestmark = pytest.mark.slow
AWAKE = ("2.5", "57")  # seconds between the first wake-up and the last loss of supply
FAULTS = {
    "fault-timer_short": "washdown",
    "fault-momentary_latches": "horn",
    "fault-member_missing": "side_step",
}
START_NS = 1_700_000_000_020_000_000
BOX = re.compile(r"..FF2...#")  # what the box sends


def frames(name):
    """(stamp in us, its first digits, rest of the line without the direction) of a sample recording."""
    rows = []
    for line in (RECORDINGS / name / "frames.log").read_text(encoding="ascii").splitlines():
        stamp, rest = re.fullmatch(r"\((\d+\.\d{6})\) (.*) [TR]", line).groups()
        rows.append((round(float(stamp[4:]) * 1e6), stamp[:4], rest))
    return rows


def write(path, rows):
    text = "".join(f"({head}{us // 1_000_000:06d}.{us % 1_000_000:06d}) {rest}\n" for us, head, rest in rows)
    data = text.encode("ascii")
    path.write_bytes(gzip.compress(data) if path.suffix == ".gz" else data)
    return str(path)


def late(rows, seed, most_ms):
    """Each stamped late by its own amount; frames of one identifier stay in order, as in any queue."""
    chance = random.Random(seed)
    out, last_us = [], {}
    for us, head, rest in rows:
        name = rest.partition("#")[0]
        last_us[name] = max(us + round(chance.uniform(0, most_ms * 1000)), last_us.get(name, 0) + 1)
        out.append((last_us[name], head, rest))
    return sorted(out)


def judge(words, jitter_ms=None, part=(None, None)):
    recording = open_recording(words)
    return judge_it(recording, "demo", jitter_ms=jitter_ms, part=part_of(*part, START_NS))[1].verdict


@pytest.mark.parametrize(("seed", "most_ms", "jitter_ms"), [(1, 18.0, 20.0), (2, 18.0, None), (3, 4.0, 5.0)])
def test_a_healthy_box_passes_whatever_each_stamp_is_late_by(seed, most_ms, jitter_ms, tmp_path):
    path = write(tmp_path / "a.log", late(frames("healthy-full"), seed, most_ms))
    verdict = judge([path], jitter_ms, AWAKE)
    assert (verdict.outcome, verdict.discrepancies) == (PASS, ())
    assert re.match(r"from 2\.\d+ s to 5\d\.\d+ s: 24 of 24 circuits, 3[2-4] of 34 controls", verdict.scope)


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_found_in_it(name, tmp_path):
    verdict = judge([write(tmp_path / "a.log", late(frames(name), 1, 18.0))], 20.0, AWAKE)
    assert verdict.outcome == FAIL
    assert [d.subject for d in verdict.discrepancies] == [FAULTS[name]]


def test_a_wake_up_whose_cause_is_not_recorded_is_a_doubt(tmp_path):
    verdict = judge([write(tmp_path / "a.log", frames("healthy-full"))])
    assert (verdict.outcome, verdict.discrepancies) == (INCONCLUSIVE, ())
    assert any("why is not recorded" in doubt.reason for doubt in verdict.doubts)


def test_two_clocks_are_noticed_where_their_stamps_run_backwards(tmp_path):
    rows = [
        (us + (50_000 if BOX.search(rest) else 0), head, rest) for us, head, rest in frames("healthy-full")
    ]
    path = write(tmp_path / "a.log", rows)
    verdict = judge([path], 20.0, AWAKE)
    assert any("two clocks" in doubt.reason for doubt in verdict.doubts)
    assert judge([path], 60.0, AWAKE).outcome == PASS  # declared, it may be


def test_split_logs_are_one_whatever_their_order_names_and_packing(tmp_path):
    rows = frames("healthy-full")
    whole = judge([write(tmp_path / "whole.txt", rows)], part=AWAKE)
    logs = tmp_path / "logs"
    logs.mkdir()
    thirds = [rows[:2500], rows[2500:4000], rows[4000:]]
    names = ["bus.log.2.gz", "bus.log.1", "bus.log"]  # the oldest has the highest number
    paths = [write(logs / name, part) for name, part in zip(names, thirds, strict=True)]
    assert (
        judge(paths, part=AWAKE) == judge(paths[::-1], part=AWAKE) == judge([str(logs)], part=AWAKE) == whole
    )
    assert whole.outcome == PASS


@pytest.mark.parametrize("name", ["healthy-full", "fault-timer_short"])
@pytest.mark.parametrize("gap_s", [0.4, 3.0, 12.0])
def test_a_gap_between_two_files_is_a_doubt_and_never_convicts(name, gap_s, tmp_path):
    rows = frames(name)
    chance = random.Random(7)
    for k in range(3):
        cut_us = rows[0][0] + round(chance.uniform(8, 40) * 1e6)
        a = write(tmp_path / f"{k}a.log", [r for r in rows if r[0] < cut_us])
        b = write(tmp_path / f"{k}b.log", [r for r in rows if r[0] > cut_us + gap_s * 1e6])
        verdict = judge([a, b], part=AWAKE)
        assert any("the seam of" in doubt.reason for doubt in verdict.doubts)
        if name == "healthy-full":
            assert (verdict.outcome, verdict.discrepancies) == (INCONCLUSIVE, ())
        else:
            assert {d.subject for d in verdict.discrepancies} <= {"washdown"}


def test_what_overlaps_or_has_a_start_of_its_own_is_not_joined(tmp_path):
    rows = frames("healthy-short")
    a, b = write(tmp_path / "a.log", rows[:900]), write(tmp_path / "b.log", rows[300:])
    with pytest.raises(UsageError, match=r"before a\.log ends"):
        judge([a, b])
    with pytest.raises(UsageError, match="judge it alone"):
        judge([a, str(RECORDINGS / "healthy-short")])


# ---- parts


def test_any_part_of_what_passed_passes_or_cannot_tell(tmp_path):
    path = write(tmp_path / "a.log", frames("healthy-full"))
    chance = random.Random(3)
    for _ in range(8):
        a, b = sorted(chance.uniform(2.5, 57) for _ in range(2))
        verdict = judge([path], part=(f"{a:.3f}", f"{b + 1:.3f}"))
        assert verdict.discrepancies == ()


@pytest.mark.parametrize("name", ["healthy-short", "fault-open_load"])
def test_a_part_behind_the_end_is_no_pass(name, tmp_path):
    for words in ([str(RECORDINGS / name)], [write(tmp_path / "a.log", frames(name))]):
        verdict = judge(words, part=("9999", None))
        assert verdict.outcome == INCONCLUSIVE
        text = "nothing was judged: the recording ends before the part to be judged"
        assert [d.reason for d in verdict.doubts] == [text]


def went_off(name, circuit):
    """When the circuit was off and should not have been, counted from the recording's start."""
    verdict = json.loads((RECORDINGS / name / "verdict.json").read_text(encoding="utf-8"))
    found = [e for d in verdict["discrepancies"] for e in (d["root"], *d["consequences"])]
    return sorted({e["t_ns"] - START_NS for e in found if e["signal"] == f"state:{circuit}"})


def test_a_fault_counts_in_the_part_that_shows_it_and_in_no_other():
    recording = open_recording(
        [str(RECORDINGS / "fault-timer_short")]
    )  # off too early twice, both times once on
    ends_s = [ns / 1e9 for ns in went_off("fault-timer_short", "washdown")]
    before, after = f"{ends_s[0] - 1.5:.3f}", f"{ends_s[0] + 1.5:.3f}"

    def subjects(a, b):
        verdict = judge_it(recording, None, part=part_of(a, b, START_NS))[1].verdict
        return [d.subject for d in verdict.discrepancies]

    assert subjects("5", after) == ["washdown"]
    assert subjects(before, after) == ["washdown"]  # what happened before tells the state
    assert subjects(after, f"{ends_s[1] - 1.5:.3f}") == []
    assert subjects(None, before) == []


def test_a_timer_that_ends_early_is_put_down_to_the_key_that_started_it():
    (found,) = judge([str(RECORDINGS / "fault-timer_short")]).discrepancies
    root = found.root
    assert (found.subject, root.cause, root.step) == ("washdown", "panel helm 7 pressed", 0)
    assert 29e9 < root.t_ns - root.cause_t_ns < 31e9
    assert "locker_light" in found.also  # which its own key worked last, 0.7 s before


def test_what_was_in_doubt_before_stays_in_doubt(tmp_path):
    rows = frames("healthy-full")
    short = [(us, head, rest[:-2] if BOX.search(rest) else rest) for us, head, rest in rows[:600]]
    path = write(tmp_path / "a.log", short + rows[600:])
    verdict = judge([path], part=("20", "57"))
    assert verdict.outcome == INCONCLUSIVE
    assert any("could not be read before" in doubt.reason for doubt in verdict.doubts)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--from", "x"], "--from x is no instant"),
        (["--from", "9", "--to", "8"], "--to 8 is not after --from 9"),
        (["--jitter", "-1"], "no number of milliseconds"),
        (["--jitter", "5"], "brings its own jitter"),
        (["--at", "5", "--to", "8"], "--at and --to do not go together"),
        (["--at", "@1"], "lies before the recording's start"),
    ],
)
def test_wrong_words_are_told(words, said, capsys):
    assert main(["judge", str(RECORDINGS / "healthy-short"), *words]) == 2
    assert said in capsys.readouterr().err


# ---- a moment


def believed(words, capsys):
    assert main(["judge", *words, "--json"]) == 0
    return json.loads(capsys.readouterr().out)["circuits"]


def test_what_was_believed_at_a_moment_is_told_with_its_reasons(capsys):
    found = believed([str(RECORDINGS / "healthy-full"), "--at", "30"], capsys)
    washdown = found["washdown"]
    assert (washdown["expected"], washdown["known"], washdown["owed"]) == (["on"], True, [])
    assert washdown["reached_by"]["what"] == "screen helm 42 pressed"  # the key of one that follows it
    assert washdown["together"] == ["locker_light"]
    lo, hi = washdown["hidden"]["timer washdown"]
    assert hi - lo == 2_000_000_000 and lo < START_NS + 60e9  # 40 s, give or take one
    state = next(r for r in washdown["reported"] if r["signal"] == "state:washdown")
    assert state["value"] == 1 and 0 <= state["age_ns"] <= 110e6
    assert found["sidelights"]["together"] == ["allround_white"]


def test_a_change_that_has_yet_to_be_shown_is_owed(capsys):
    marks = (RECORDINGS / "healthy-full" / "marks.jsonl").read_text(encoding="utf-8").splitlines()
    pressed = next(m for m in map(json.loads, marks) if m.get("about", "").startswith("horn: all off"))
    lines = (RECORDINGS / "healthy-full" / "frames.log").read_text(encoding="ascii").splitlines()
    sent = next(line for line in lines[pressed["after_frames"] :] if line.endswith(" T"))
    at = f"@{float(sent[1:18]) + 0.002:.6f}"
    horn = believed([str(RECORDINGS / "healthy-full"), "--at", at], capsys)["horn"]
    assert (horn["expected"], horn["reached_by"]["what"]) == (["on"], "panel helm 3 pressed")
    assert {o["signal"] for o in horn["owed"]} >= {"state:horn"}
    assert horn["held"] == ["panel helm 3"]


def test_before_enough_was_reported_nothing_is_known(capsys, tmp_path):
    path = write(tmp_path / "a.log", [r for r in frames("healthy-full") if r[0] > 10_000_000])
    found = believed([path, "--spec", "demo", "--at", "0.3"], capsys)
    assert not any(b["known"] for b in found.values())
    assert all("not followed" in b["why"] for b in found.values())


def test_it_is_told_to_people_too(capsys):
    assert main(["judge", str(RECORDINGS / "healthy-full"), "--at", "30"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("Kittiwake, what was believed at 30.000 s:\n")
    assert re.search(r"^washdown: on\n  why: +everything that was reported agrees", out, re.M)
    assert re.search(r"hidden: +position wipers \d", out)
