"""Whole runs on the virtual box: what is recorded, how a run ends, and what it says it could not do."""

import json
from dataclasses import replace
from itertools import pairwise

import pytest

from bench.assess import assess_session
from bench.core.clock import VirtualClock
from bench.core.entry import Confirmed, Ended, HostLate, LinkLost, Started, StepMark
from bench.core.errors import BenchError
from bench.core.frame import Frame
from bench.core.plan import Plan, Step
from bench.core.verdict import FAIL, INCONCLUSIVE, PASS
from bench.lab.api import boat_tables, load_boat, run_virtual
from bench.lab.virtual import START_NS, VirtualBench
from bench.oracle import Oracle
from bench.run.api import Wishes, before_the_run, run_on
from bench.run.result import RunResult
from bench.run.stop import StopFlag
from bench.session import open_session
from bench.twin import Twin

MS = 1_000_000


@pytest.fixture(scope="module")
def boat():
    return load_boat("demo")


def small_plan(*, steps=None):
    """The horn, then chart_table, left on."""
    made = steps or (
        Step(0, "press", "panel helm 3"), Step(480, "release", "panel helm 3"),
        Step(1080, "press", "screen helm 30"), Step(1200, "release", "screen helm 30"),
        Step(1800, "press", "screen helm 26"), Step(1920, "release", "screen helm 26"),
    )  # fmt: skip
    return Plan("small", tuple(made), 2600.0)


def deck_aft_then_wait(ms):
    down, up = (Step(t, kind, "screen helm 26") for t, kind in ((0, "press"), (120, "release")))
    return down, up, Step(ms, "wait", "")


class Without(VirtualBench):
    """No supply to switch; entries may be changed on their way (`meddle`)."""

    def __init__(self, twin, clock, meddle=lambda entries, now_ns: entries, *, supply=False):
        super().__init__(twin, clock)
        self._facts = replace(self._facts, switches_supply=supply)
        self._meddle = meddle

    def wait(self, until_ns):
        return self._meddle(super().wait(until_ns), self._clock.now_ns())


def run_small(
    boat, out=None, *, meddle=lambda entries, now_ns: entries, plan=None, supply=False, stop=None, **wishes
):
    clock = VirtualClock(START_NS)
    twin = Twin(boat_tables("demo"), start_ns=START_NS, powered=True)
    link = Without(twin, clock, meddle, supply=supply)
    asked = Wishes(plan=plan or small_plan(), out=out, **wishes)
    return run_on(boat, link, clock, asked, adapter="virtual", stop=stop), twin, clock


def outputs_on(boat, twin, clock):
    truth = twin.truth(clock.now_ns())
    return sorted(c.name for c in boat.spec.circuits.values() if truth[c.box, c.channel].percent > 0)


@pytest.mark.slow
def test_a_healthy_run_passes_and_judged_again_from_its_folder_says_the_same(boat, tmp_path):
    live = run_virtual(boat=boat, out=tmp_path / "s", seed=4)
    assert live.verdict.outcome == PASS, (live.verdict.discrepancies, live.verdict.doubts)
    assert live.reason == "complete" and live.steps_done == len(live.plan.steps) and live.exit_status == 0
    again = load_boat(tmp_path / "s" / "spec.yaml")
    assert (
        assess_session(open_session(tmp_path / "s"), again.spec, again.definitions, Oracle(again.spec))
        == live.verdict
    )


@pytest.mark.slow
def test_the_same_seed_gives_the_same_bytes(boat, tmp_path):
    for name in "ab":
        run_virtual(boat=boat, out=tmp_path / name, seed=2, short=True)
    names = sorted(p.name for p in (tmp_path / "a").iterdir())
    assert {"frames.log", "marks.jsonl", "session.json", "spec.yaml", "plan.json", "safe_off.json"} <= set(
        names
    )
    for name in names:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes(), name


def test_what_the_plan_left_on_is_switched_off_at_the_end(boat):
    result, twin, clock = run_small(boat)
    assert result.off.all_off and result.off.pressed == 2
    assert result.off.log == (
        "deck_aft is on: pressed screen helm 26",
        "chart_table is on: pressed screen helm 30",
    )
    assert outputs_on(boat, twin, clock) == []


def test_without_a_supply_to_switch_home_presses_what_is_on_and_walks_the_counter(boat, tmp_path):
    result, _, _ = run_small(boat, tmp_path / "s")
    about = [(e.phase, e.about) for e in open_session(tmp_path / "s").entries() if isinstance(e, StepMark)]
    assert about[0] == ("home", "switch off what is on")
    walked = [a for phase, a in about if phase == "home" and a == "step wipers to a known position"]
    assert len(walked) == 3
    assert about[-1] == ("off", "switch off what is on")
    assert result.warnings == ()


def test_the_jitter_is_frozen_from_the_links_evidence_before_the_first_send(boat, tmp_path):
    run_small(boat, tmp_path / "s")
    entries = list(open_session(tmp_path / "s").entries())
    started = next(i for i, e in enumerate(entries) if isinstance(e, Started))
    first_send = next(i for i, e in enumerate(entries) if type(e) is Frame and e.direction == "T")
    assert started < first_send and entries[started].jitter_ms == 2.0 and entries[started].complete == 1
    assert "loop test 0.000 ms" in entries[started].evidence
    assert isinstance(entries[-1], Ended) and entries[-1].reason == "complete"


def test_the_bench_watches_before_it_stimulates(boat, tmp_path):
    run_small(boat, tmp_path / "s")
    entries = list(open_session(tmp_path / "s").entries())
    sent = [e.t_ns for e in entries if type(e) is Frame and e.direction == "T"]
    heard = [e.t_ns for e in entries if type(e) is Frame and e.direction == "R"]
    assert min(sent) - min(heard) >= 300 * MS


def test_signs_of_life_keep_their_absolute_deadlines(boat, tmp_path):
    run_small(boat, tmp_path / "s")
    beats = {}
    for e in open_session(tmp_path / "s").entries():
        if type(e) is Frame and e.direction == "T":
            reading = boat.definitions.decode(e)
            if reading.message.endswith("ControlAlive"):
                beats.setdefault(reading.node, []).append(e.t_ns)
    assert set(beats) == {"panel helm", "screen helm"}
    for times in beats.values():
        assert {b - a for a, b in pairwise(times)} == {500 * MS}


def test_stimuli_go_out_at_their_planned_instants(boat, tmp_path):
    plan = small_plan()
    run_small(boat, tmp_path / "s", plan=plan)
    entries = list(open_session(tmp_path / "s").entries())
    first = next(i for i, e in enumerate(entries) if isinstance(e, StepMark) and e.step == 0)
    keys = [
        e.t_ns for e in entries[first:]
        if type(e) is Frame and e.direction == "T" and boat.definitions.decode(e).events
        and boat.definitions.decode(e).events[0].kind in ("press", "release")
    ]  # fmt: skip
    planned = [round(s.at_ms) for s in plan.steps]
    assert [round((t - keys[0]) / MS) for t in keys[: len(planned)]] == planned


def test_a_stop_flag_ends_the_run_by_switching_off(boat):
    stop = StopFlag()

    def meddle(entries, now_ns):
        if any(type(e) is Frame and e.direction == "T" and e.data[:2] == b"\x1a\xfd" for e in entries):
            stop.set("interrupted", 15)
        return entries

    result, twin, clock = run_small(boat, meddle=meddle, stop=stop)
    assert result.reason == "interrupted" and result.exit_status == 143
    assert result.verdict.outcome == INCONCLUSIVE
    assert any("interrupted" in d.reason for d in result.verdict.doubts)
    assert result.off.pressed >= 1 and outputs_on(boat, twin, clock) == []


def test_a_lost_link_ends_the_run_and_names_what_was_last_reported_on(boat):
    state = {"lost": False}

    def meddle(entries, now_ns):
        if state["lost"]:
            return []
        if now_ns > START_NS + 6500 * MS:
            state["lost"] = True
            return [*entries, LinkLost(now_ns, "unplugged")]
        return entries

    result, _, _ = run_small(boat, meddle=meddle, plan=small_plan(steps=deck_aft_then_wait(9000)))
    assert result.reason == "link lost: unplugged"
    assert result.off.stays_on == ("deck_aft",)
    assert result.verdict.outcome == INCONCLUSIVE and result.exit_status == 3
    assert any("still on: deck_aft" in w for w in result.warnings)


def test_a_silent_bus_is_said_and_no_key_is_pressed(boat, tmp_path):
    def meddle(entries, now_ns):
        return [e for e in entries if not (type(e) is Frame and e.direction == "R")]

    result, _, _ = run_small(boat, tmp_path / "s", meddle=meddle)
    assert result.reason == "nothing heard from main; check bit rate, wiring and supply"
    assert result.verdict.outcome == INCONCLUSIVE and result.steps_done == 0
    assert set(result.off.not_heard) == set(boat.spec.circuits) and result.off.pressed == 0


def test_a_message_that_never_comes_is_named_before_the_start(boat):
    def meddle(entries, now_ns):
        return [e for e in entries if not (type(e) is Frame and e.can_id & 0xFFFF00 == 0xFF5300)]

    result, _, _ = run_small(boat, meddle=meddle)
    assert result.warnings[0].startswith("never heard before the start: ")
    assert "Identity" in result.warnings[0]


def test_until_first_ends_at_the_first_discrepancy(boat):
    plan = small_plan(steps=deck_aft_then_wait(60_000))

    def meddle(entries, now_ns):  # an output that comes on though nobody asked
        return [
            e._replace(data=bytes((e.data[0] | 0x10, *e.data[1:])))
            if type(e) is Frame and e.can_id & 0xFFFF00 == 0xFF2000 and now_ns > START_NS + 7000 * MS
            else e
            for e in entries
        ]

    result, _, _ = run_small(boat, meddle=meddle, plan=plan, until_first=True)
    assert result.reason == "discrepancy limit"
    assert result.verdict.outcome == FAIL and result.exit_status == 1
    assert result.verdict.discrepancies[0].subject == "deck_fwd"
    assert result.bench_s < 30


def test_when_the_recording_fails_the_run_still_switches_off(boat, tmp_path, monkeypatch):
    from bench.session import Recorder

    write = Recorder.write

    def failing(self, entry):
        if isinstance(entry, StepMark) and entry.step == 5:
            self.failed = "the disk is full"
            raise BenchError("the disk is full")
        return write(self, entry) if self.failed is None else entry

    monkeypatch.setattr(Recorder, "write", failing)
    result, twin, clock = run_small(boat, tmp_path / "s")
    assert result.reason == "the recording failed: the disk is full"
    assert outputs_on(boat, twin, clock) == []
    assert result.verdict.outcome == INCONCLUSIVE


def test_a_late_host_moves_all_later_steps_instead_of_crowding_them(boat, tmp_path):
    state = {"done": False}
    clock = VirtualClock(START_NS)

    class Late(VirtualBench):
        def wait(self, until_ns):
            entries = super().wait(until_ns)
            pressed = any(
                type(e) is Frame and e.direction == "T" and e.data[:2] == b"\x1e\xfd" for e in entries
            )
            if pressed and not state["done"]:
                state["done"] = True
                entries += super().wait(self._clock.now_ns() + 900 * MS)
                entries.append(HostLate(self._clock.now_ns(), 900.0))
            return entries

    link = Late(Twin(boat_tables("demo"), start_ns=START_NS, powered=False), clock)
    result = run_on(boat, link, clock, Wishes(plan=small_plan(), out=tmp_path / "s"), adapter="virtual")
    keys = []
    for e in open_session(tmp_path / "s").entries():
        if type(e) is Frame and e.direction == "T":
            events = boat.definitions.decode(e).events
            if events and events[0].name in ("screen helm 26", "screen helm 30"):
                keys.append((events[0].name, events[0].kind, e.t_ns))
    at = {(n, k): t for n, k, t in keys[:4]}
    gap = at["screen helm 26", "press"] - at["screen helm 30", "release"]
    assert gap >= 599 * MS
    assert result.verdict.outcome == INCONCLUSIVE


def test_a_refused_confirmation_does_not_stop_the_run(boat):
    def meddle(entries, now_ns):
        return [e for e in entries if not isinstance(e, Confirmed) or e.tag % 7]

    result, _, _ = run_small(boat, meddle=meddle)
    assert result.reason == "complete" and result.verdict.outcome == INCONCLUSIVE


def test_progress_is_told_with_the_time_that_is_left(boat):
    told = []
    run_virtual(
        boat=boat,
        wishes=Wishes(plan=small_plan()),
        progress=lambda done, total, about: told.append((done, total, about)),
    )
    assert told[0][2] == "listening" and told[-1] == (told[-1][1], told[-1][1], "done")
    assert [d for d, _, _ in told] == sorted(d for d, _, _ in told)


def test_a_session_keeps_copies_and_what_safe_off_reached(boat, tmp_path):
    run_small(boat, tmp_path / "s")
    header = json.loads((tmp_path / "s" / "session.json").read_text())
    assert header["boat"] == "Kittiwake" and header["complete"] is True
    assert header["identity"] == {"main": "firmware 1.4 configuration 5A17C0DE serial 1042"}
    assert header["safe_off"]["stays_on"] == []
    assert (tmp_path / "s" / "spec.yaml").read_text() == boat.spec.source
    assert json.loads((tmp_path / "s" / "plan.json").read_text())["title"] == "small"


def test_what_would_stay_on_is_said_beforehand():
    dunlin = load_boat("dunlin")
    said = [c.render() for c in before_the_run(dunlin, guard=False, switches_supply=False)]
    assert any("bilge comes on 4 s after the bench falls silent" in s for s in said)
    assert any("without a guard or a switched supply" in s for s in said)
    assert before_the_run(load_boat("demo"), guard=True, switches_supply=False) == ()


def test_a_fail_outranks_the_signal_in_the_exit_status(boat):
    result, _, _ = run_small(boat)
    failed = replace(result, signal_number=2, verdict=replace(result.verdict, outcome=FAIL))
    assert isinstance(failed, RunResult) and failed.exit_status == 1
    assert (
        replace(result, signal_number=2, verdict=replace(result.verdict, outcome=INCONCLUSIVE)).exit_status
        == 130
    )
