"""Mishaps at the bench during a run over a port, in real time: each ends as it should, and is named. That a
supply stops answering is in test_run_supply.py."""

import errno
import threading
import time
from contextlib import contextmanager

import pytest

from bench.core.clock import SystemClock
from bench.core.entry import Refused
from bench.core.frame import Frame
from bench.core.plan import Plan, Step
from bench.core.verdict import FAIL, INCONCLUSIVE
from bench.lab.api import boat_tables, load_boat
from bench.lab.serve import PtyServer
from bench.lab.slcan_server import SlcanAdapter
from bench.run.api import Wishes, run_link
from bench.session import open_session
from bench.twin import Twin

pytestmark = [pytest.mark.realtime, pytest.mark.slow]
MS = 1_000_000
PLAN = Plan(
    "one light",
    (
        Step(0, "press", "screen helm 26"), Step(120, "release", "screen helm 26"), Step(900, "wait", ""),
        Step(1000, "press", "screen helm 26"), Step(1120, "release", "screen helm 26"),
        Step(2000, "wait", ""),
    ),
    2100.0,
)  # fmt: skip
LEFT_ON = Plan("one light, left on", (*PLAN.steps[:3], PLAN.steps[-1]), 2100.0)


class Bench:
    """The virtual box behind a port, turning in a thread of its own."""

    def __init__(self):
        self.clock = SystemClock()
        self.adapter = SlcanAdapter()
        self.twin = Twin(boat_tables("demo"), start_ns=self.clock.now_ns())
        self.server = PtyServer(self.twin, self.clock, self.adapter)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._turn)
        self._thread.start()

    def _turn(self):
        while not self._stop.is_set():
            self.server.turn()

    def unplug(self):
        self._stop.set()
        self._thread.join()
        self.server.close()

    def run(self, out, at_step, mishap, plan=PLAN):
        """The plan; what happens once, before one of its steps."""

        def gate(step):
            if step is plan.steps[at_step]:
                mishap()
            return True

        return run_link(load_boat("demo"), f"slcan:{self.server.path}", Wishes(plan=plan, out=out, gate=gate))

    def on(self):
        boat, truth = load_boat("demo"), self.twin.truth(self.clock.now_ns())
        return [c.name for c in boat.spec.circuits.values() if truth[c.box, c.channel].percent > 0]


@contextmanager
def bench():
    made = Bench()
    try:
        yield made
    finally:
        made.unplug()


def reasons(result):
    return " | ".join(d.reason for d in result.verdict.doubts)


def test_a_disk_that_fills_up_ends_the_run_with_everything_off(tmp_path, monkeypatch):
    def full(file, lines):
        raise OSError(errno.ENOSPC, "No space left on device")

    with bench() as b:
        fill = lambda: monkeypatch.setattr("bench.session.recorder._append", full)  # noqa: E731
        result = b.run(tmp_path / "s", 2, fill, LEFT_ON)
        assert b.on() == []
    assert "the recording failed" in result.reason and "No space left on device" in result.reason
    assert result.verdict.outcome == INCONCLUSIVE
    assert result.off is not None and result.off.pressed >= 1 and result.off.all_off


def test_a_port_that_vanishes_is_named_with_what_stays_on(tmp_path):
    with bench() as b:
        result = b.run(tmp_path / "s", 2, b.unplug)
        assert b.on() == ["deck_aft"]
    assert result.reason.startswith(f"link lost: serial port {b.server.path} is gone")
    assert result.verdict.outcome == INCONCLUSIVE and "link lost" in reasons(result)
    assert result.off is not None and result.off.stays_on == ("deck_aft",)
    assert any("still on: deck_aft" in w for w in result.warnings)


def test_an_adapter_that_answers_bel_is_no_failure_of_the_box(tmp_path):
    with bench() as b:

        def refuse():
            b.adapter.refusing = True
            threading.Timer(0.4, lambda: setattr(b.adapter, "refusing", False)).start()

        result = b.run(tmp_path / "s", 3, refuse)
        assert b.on() == []
    refused = [e.reason for e in open_session(tmp_path / "s").entries() if isinstance(e, Refused)]
    assert set(refused) == {"the adapter answered BEL: not sent"}
    assert result.verdict.outcome == INCONCLUSIVE and not result.verdict.discrepancies
    assert "the adapter answered BEL" in reasons(result)


def test_a_step_of_the_hosts_clock_changes_nothing(tmp_path, monkeypatch):
    with bench() as b:
        real = time.time_ns
        began_ns = b.clock.now_ns()

        def step():
            monkeypatch.setattr(time, "time_ns", lambda: real() + 3_600_000 * MS)

        result = b.run(tmp_path / "s", 2, step)
        took_ns = b.clock.now_ns() - began_ns
        assert b.on() == []
    stamps = [e.t_ns for e in open_session(tmp_path / "s").entries() if isinstance(e, Frame)]
    assert stamps == sorted(stamps) and stamps[-1] - stamps[0] < took_ns
    assert result.reason == "complete" and result.verdict.outcome != FAIL
