"""Runs on a box whose supply the bench switches."""

import threading
from contextlib import contextmanager
from dataclasses import replace

import pytest

from bench.core.clock import SystemClock, VirtualClock
from bench.core.entry import SupplyConfirmed, SupplyRead, SupplySwitched, SupplyTrouble
from bench.core.plan import Plan, Step
from bench.core.verdict import FAIL, INCONCLUSIVE, PASS
from bench.lab.api import boat_tables, load_boat
from bench.lab.serve import PtyServer
from bench.lab.supply_sim import FAULTS, HEALTHY
from bench.lab.supply_twin import supply_of_twin
from bench.lab.virtual import START_NS, VirtualBench
from bench.oracle import Oracle
from bench.rig import Setting
from bench.run.api import SupplyWish, Wishes, run_link, run_on
from bench.run.guard import cut_supply
from bench.run.off_build import build
from bench.session import open_session
from bench.twin import Fault, Twin

MS = 1_000_000


@contextmanager
def bench(*, fault=HEALTHY, on_socket=False):
    """(link's name, supply's port, the supply) of a virtual box on a simulated supply, in real time."""
    clock = SystemClock()
    twin = Twin(boat_tables("demo"), start_ns=clock.now_ns())
    server = PtyServer(twin, clock)
    supply = supply_of_twin(twin, clock, fault=fault, on_socket=on_socket)
    server.beside = lambda: supply.turn(0.0)
    stop = threading.Event()

    def turn():
        while not stop.is_set():
            server.turn()

    thread = threading.Thread(target=turn)
    thread.start()
    try:
        yield f"slcan:{server.path}", supply.path, supply.supply
    finally:
        stop.set()
        thread.join()
        server.close()
        supply.close()


def two_presses():
    """Half a minute less than the short plan."""
    steps = (
        Step(0.0, "press", "panel helm 2", 1, "deck on"),
        Step(120.0, "release", "panel helm 2", 0),
        Step(900.0, "wait", "", 0),
    )
    return Plan("two presses", steps, 1500.0)


@pytest.mark.realtime
@pytest.mark.slow
@pytest.mark.parametrize("on_socket", [False, True], ids=["pty", "socket"])
def test_a_run_wakes_the_box_by_its_supply_and_leaves_it_off(tmp_path, on_socket):
    with bench(on_socket=on_socket) as (link, port, supply):
        wish = SupplyWish(port, Setting(12.0, 95.0))
        wishes = Wishes(plan=two_presses(), out=tmp_path / "s", guard=True, supply=wish)
        result = run_link(load_boat("demo"), link, wishes)
        assert not supply.on
    assert result.reason == "complete" and result.verdict.outcome != FAIL and not result.warnings
    entries = list(open_session(tmp_path / "s").entries())
    assert [e.on for e in entries if isinstance(e, SupplySwitched)] == [0, 1, 0]
    assert [e.on for e in entries if isinstance(e, SupplyConfirmed)] == [0, 1, 0]
    amps = [e.amps for e in entries if isinstance(e, SupplyRead)]
    assert min(amps) == 0.0 and max(amps) > 1.0  # the twin's own current


@pytest.mark.realtime
@pytest.mark.slow
def test_a_supply_that_stops_answering_ends_the_run_inconclusive_and_off(tmp_path):
    mute = replace(FAULTS["falls_mute"], mute_after=40)
    with bench(fault=mute) as (link, port, supply):
        wish = SupplyWish(port, Setting(12.0, 95.0))
        wishes = Wishes(plan=two_presses(), out=tmp_path / "s", guard=True, supply=wish)
        result = run_link(load_boat("demo"), link, wishes)
        assert not supply.on
    assert result.verdict.outcome == INCONCLUSIVE and "did not answer" in result.reason
    assert any("switch it off by hand" in w for w in result.warnings)


@pytest.mark.realtime
@pytest.mark.slow
def test_the_guard_cuts_the_supply():
    boat = load_boat("demo")
    off = build(boat.spec, boat.definitions, Oracle(boat.spec).off_words(), "none:none")
    assert cut_supply(off, SystemClock()) == ""
    with bench() as (_, port, supply):
        supply.on = True
        told = replace(off, supply=(port, "scpi"))
        assert type(told).from_json(told.to_json()).supply == (port, "scpi")
        assert cut_supply(told, SystemClock()) == "the supply is off"
        assert not supply.on


class Watched(VirtualBench):
    """A virtual bench that reads its supply, and may be in trouble with it from an instant on."""

    trouble_after_s = None
    said = False

    def wait(self, until_ns):
        entries = super().wait(until_ns)
        t_ns = self._clock.now_ns()
        since_s = self.trouble_after_s
        if since_s is not None and not self.said and t_ns > START_NS + since_s * 1e9:
            self.said = True
            return [*entries, SupplyTrouble(t_ns, t_ns - 1500 * MS, "the supply gave 5 V")]
        return [*entries, SupplyRead(t_ns, t_ns - 20 * MS, 12.0, 3.0)]


def watched_run(fault, trouble_after_s=None):
    clock = VirtualClock(START_NS)
    faults = [Fault.parse(fault)] if fault else []
    link = Watched(Twin(boat_tables("demo"), faults=faults, start_ns=START_NS, powered=False), clock)
    link.trouble_after_s = trouble_after_s
    return run_on(load_boat("demo"), link, clock, Wishes(short=True), adapter="virtual")


def test_a_restart_on_a_good_supply_is_a_discrepancy():
    assert watched_run("restarts:12000").verdict.outcome == FAIL


def test_a_restart_while_the_supply_was_not_known_to_be_good_is_inconclusive():
    result = watched_run("restarts:12000", trouble_after_s=12.9)
    assert result.verdict.outcome == INCONCLUSIVE
    assert any("the supply gave 5 V" in d.reason for d in result.verdict.doubts)


def test_readings_of_a_good_supply_change_no_verdict():
    assert watched_run(None).verdict.outcome == PASS
