"""The link to a twin in process: order, instants, supply, and a clock that only it moves."""

import pytest

from bench.core.clock import VirtualClock
from bench.core.entry import Alive, Confirmed, SupplySwitched
from bench.core.errors import InternalError
from bench.core.frame import Frame
from bench.lab.virtual import VirtualBench

MS = 1_000_000


class Echo:
    """Sends a frame each 40 ms and answers what it hears 3 ms later, unless its supply is off."""

    def __init__(self):
        self.powered = True
        self.events = []
        self.next_ns = 0

    def receive(self, t_ns, can_id, data, extended=True):
        if self.powered:
            self.events.append(Frame(t_ns + 3 * MS, can_id + 1, data, extended))

    def run_until(self, t_ns):
        while self.powered and self.next_ns <= t_ns:
            self.events.append(Frame(self.next_ns, 0x100, b""))
            self.next_ns += 40 * MS
        out = sorted(e for e in self.events if e.t_ns <= t_ns)
        self.events = [e for e in self.events if e.t_ns > t_ns]
        return out

    def supply(self, t_ns, box, on):
        self.powered = on
        self.next_ns = t_ns + 40 * MS


@pytest.fixture
def bench():
    clock = VirtualClock(0)
    link = VirtualBench(Echo(), clock)
    link.open()
    return link, clock


def test_a_wait_jumps_to_its_end_and_hands_over_everything_in_order(bench):
    link, clock = bench
    link.send_at(25 * MS, 7, b"\x01")
    entries = link.wait(100 * MS)
    assert clock.now_ns() == 100 * MS
    assert [e.t_ns for e in entries] == sorted(e.t_ns for e in entries)
    kinds = [(type(e).__name__, e.t_ns // MS) for e in entries]
    assert kinds == [
        ("Frame", 0), ("Frame", 25), ("Confirmed", 25), ("Frame", 28), ("Frame", 40), ("Alive", 50),
        ("Frame", 80), ("Alive", 100),
    ]  # fmt: skip
    assert entries[1].direction == "T" and entries[3].can_id == 8


def test_sends_are_confirmed_with_their_running_number_in_order_of_their_instants(bench):
    link, _ = bench
    link.send_at(30 * MS, 2, b"")
    link.send_at(10 * MS, 1, b"")
    entries = link.wait(60 * MS)
    sent = [e.can_id for e in entries if type(e) is Frame and e.direction == "T"]
    assert sent == [1, 2] and [e.tag for e in entries if isinstance(e, Confirmed)] == [0, 1]


def test_a_send_for_the_past_goes_at_once(bench):
    link, clock = bench
    link.wait(70 * MS)
    link.send_at(5 * MS, 1, b"")
    sent = [e for e in link.wait(71 * MS) if type(e) is Frame and e.direction == "T"]
    assert [e.t_ns for e in sent] == [70 * MS] and clock.now_ns() == 71 * MS


def test_the_supply_is_switched_when_asked_and_is_told(bench):
    link, _ = bench
    link.switch_supply_at(50 * MS, "main", False)
    link.switch_supply_at(200 * MS, "main", True)
    entries = link.wait(300 * MS)
    assert [e for e in entries if isinstance(e, SupplySwitched)] == [
        SupplySwitched(50 * MS, "main", 0),
        SupplySwitched(200 * MS, "main", 1),
    ]
    assert [e.t_ns // MS for e in entries if type(e) is Frame] == [0, 40, 240, 280]
    assert len([e for e in entries if isinstance(e, Alive)]) == 6


def test_it_declares_what_it_can(bench):
    link, _ = bench
    assert link.facts.switches_supply and link.facts.confirms and link.facts.jitter_ms == 2.0
    assert link.loop_test() == 0.0
    link.send_at(0, 1, b"")
    link.wait(10 * MS)
    assert (link.statistics().sent, link.statistics().confirmed, link.statistics().dropped) == (1, 1, 0)


def test_a_closed_link_is_not_waited_on(bench):
    link, _ = bench
    link.close()
    link.close()
    with pytest.raises(InternalError, match="not open"):
        link.wait(10 * MS)
