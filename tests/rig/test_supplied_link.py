"""A link with a supply beside it: marks, trouble, and an output that ends off."""

import pytest
from served_supply import served

from bench.core.clock import SystemClock
from bench.core.entry import (
    SupplyConfirmed,
    SupplyReached,
    SupplyRead,
    SupplySet,
    SupplySwitched,
    SupplyTrouble,
)
from bench.core.errors import BenchError
from bench.lab.supply_sim import FAULTS, Resistance, SimSupply
from bench.rig import Setting, SuppliedLink, load_dialect, open_supply
from bench.testing import FakeLink

pytestmark = [pytest.mark.realtime, pytest.mark.slow]
MS = 1_000_000
SWITCHINGS = (SupplySwitched, SupplyConfirmed)


class Bench:
    """A fake link with a served supply; what it was told of trouble."""

    def __init__(self, path, boxes=("main",), link=None):
        self.clock = SystemClock()
        self.told = []
        self.fake = link or FakeLink(self.clock)
        self.link = SuppliedLink(
            self.fake, lambda: open_supply(path, load_dialect(), self.clock, answer_s=0.2),
            Setting(12.0, 5.0),
            boxes, self.clock, self.told.append,
        )  # fmt: skip
        self.entries = []

    def run(self, until, timeout_s=4.0):
        """Takes entries in until `until` of them is true."""
        end_ns = self.clock.now_ns() + int(timeout_s * 1e9)
        while not until(self.entries) and self.clock.now_ns() < end_ns:
            self.entries += self.link.wait(self.clock.now_ns() + 20 * MS)
        return self.entries

    def switch(self, on, box="main"):
        self.link.switch_supply_at(self.clock.now_ns(), box, on)

    def kinds(self, *kinds):
        return [e for e in self.entries if isinstance(e, kinds)]


def confirmed(count):
    return lambda entries: sum(isinstance(e, SupplyConfirmed) for e in entries) >= count


def troubled(entries):
    return any(isinstance(e, SupplyTrouble) for e in entries)


def test_a_switching_is_said_before_it_happens_and_confirmed_once_it_is_measured(serve):
    sim = SimSupply(Resistance(6.0))
    with served(serve(sim)) as path:
        bench = Bench(path)
        bench.link.open()
        assert (sim.on, sim.volts, sim.limit_a) == (False, 12.0, 5.0)
        bench.switch(True)
        bench.run(confirmed(1))
        bench.run(lambda e: len([x for x in e if isinstance(x, SupplyRead)]) >= 3)
        bench.switch(False)
        bench.run(confirmed(2))
        bench.link.close()
    switched = bench.kinds(*SWITCHINGS)
    assert [(type(e), e.on) for e in switched] == [(k, on) for on in (1, 0) for k in SWITCHINGS]
    assert [e.t_ns for e in switched] == sorted(e.t_ns for e in switched)
    readings = bench.kinds(SupplyRead)
    assert all(r.from_ns < r.t_ns for r in readings)
    assert any((r.volts, r.amps) == (12.0, 2.0) for r in readings)
    assert not bench.told and not bench.link.left_on and not sim.on


def test_a_supply_that_feeds_two_boxes_is_on_while_both_are_wanted_on(serve):
    sim = SimSupply()
    with served(serve(sim)) as path:
        bench = Bench(path, ("fore", "aft"))
        bench.link.open()
        bench.switch(True, "fore")
        bench.run(confirmed(2))
        assert not sim.on
        bench.switch(True, "aft")
        bench.run(confirmed(4))
        assert sim.on
        bench.switch(False, "fore")
        bench.run(confirmed(6))
        assert not sim.on
        bench.link.close()
    assert [(e.box, e.on) for e in bench.kinds(SupplySwitched)] == [
        (box, on) for on in (0, 1, 0) for box in ("fore", "aft")
    ]


@pytest.mark.parametrize(
    ("what", "told"),
    [
        (
            lambda sim: setattr(sim.fed, "ohm", 1.0),
            "gave 5 V and 5 A, set to 12 V and at most 5 A",
        ),
        (lambda sim: setattr(sim, "fault", FAULTS["mute"]), "did not answer"),
        (lambda sim: setattr(sim, "fault", FAULTS["garbage"]), "answered '****'"),
        (lambda sim: sim.set_output("0"), "the supply gave 0 V and 0 A"),
    ],
    ids=["current limit", "silent", "unreadable", "off by itself"],
)
def test_trouble_ends_the_run_and_reaches_back_to_the_last_good_reading(what, told, serve):
    sim = SimSupply(Resistance(12.0))
    with served(serve(sim)) as path:
        bench = Bench(path)
        bench.link.open()
        bench.switch(True)
        bench.run(confirmed(1))
        before_ns = bench.clock.now_ns()
        what(sim)
        bench.run(troubled)
        [mark] = bench.kinds(SupplyTrouble)
        assert told in mark.reason and bench.told == [mark.reason]
        assert mark.since_ns <= before_ns + 50 * MS < mark.t_ns
        assert bench.link.settled  # nobody waits for it any more
        bench.link.close()
    assert not sim.on


def test_a_supply_that_never_reaches_its_voltage_is_trouble_since_the_switching():
    sim = SimSupply(Resistance(0.5))
    from bench.lab.supply_server import PtySupply

    with served(PtySupply(sim)) as path:
        bench = Bench(path)
        bench.link.open()
        bench.switch(True)
        bench.run(troubled)
        bench.link.close()
    [switched], [mark] = bench.kinds(SupplySwitched), bench.kinds(SupplyTrouble)
    assert mark.since_ns == switched.t_ns and "1000 ms after being switched on" in mark.reason
    assert not sim.on and not bench.kinds(SupplyConfirmed)


def test_an_output_whose_being_off_cannot_be_confirmed_is_said_at_the_end(serve):
    sim = SimSupply()
    with served(serve(sim)) as path:
        bench = Bench(path)
        bench.link.open()
        bench.switch(True)
        bench.run(confirmed(1))
        sim.fault = FAULTS["stuck_output"]
        bench.link.close()
        assert "still on" in bench.link.left_on and "by hand" in bench.link.left_on


class NoLink(FakeLink):
    def open(self):
        raise BenchError("no adapter")


def test_a_link_that_does_not_open_leaves_the_supply_off_and_its_port_free(serve):
    sim = SimSupply()
    sim.on = True
    with served(serve(sim)) as path:
        bench = Bench(path, link=NoLink(SystemClock()))
        with pytest.raises(BenchError, match="no adapter"):
            bench.link.open()
        assert not sim.on
        open_supply(path, load_dialect(), SystemClock()).close()


def test_another_voltage_is_said_before_it_moves_and_once_it_is_measured(serve):
    sim = SimSupply(Resistance(6.0))
    with served(serve(sim)) as path:
        bench = Bench(path)
        bench.link.open()
        assert bench.link.facts.sets_volts
        bench.switch(True)
        bench.run(confirmed(1))
        bench.link.set_volts_at(bench.clock.now_ns(), 9.0)
        bench.run(lambda entries: any(isinstance(e, SupplyReached) for e in entries))
        bench.run(lambda entries: isinstance(entries[-1], SupplyRead) and entries[-1].volts == 9.0)
        assert sim.volts == 9.0 and not bench.told
        bench.link.close()
    [put], [reached] = bench.kinds(SupplySet), bench.kinds(SupplyReached)
    assert (put.volts, reached.volts) == (9.0, 9.0) and put.t_ns < reached.t_ns
    later = [r for r in bench.kinds(SupplyRead) if r.t_ns > reached.t_ns]
    assert later and all(r.volts == 9.0 for r in later)


def test_a_voltage_that_is_refused_is_trouble(serve):
    sim = SimSupply(Resistance(6.0))
    with served(serve(sim)) as path:
        bench = Bench(path)
        bench.link.open()
        bench.switch(True)
        bench.run(confirmed(1))
        bench.link.set_volts_at(bench.clock.now_ns(), 99.0)
        bench.run(troubled)
        bench.link.close()
    assert "-222" in bench.told[0] and not sim.on and not bench.kinds(SupplyReached)
