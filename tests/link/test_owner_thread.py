"""Who owns a link: queue that counts, deadlines, late host, errors that reach the run."""

import threading
import time

import pytest

from bench.core.clock import SystemClock
from bench.core.entry import Alive, Dropped, HostLate, LinkLost, Refused
from bench.core.errors import BenchError, InternalError
from bench.core.frame import TX, Frame
from bench.core.link import LinkFacts
from bench.link.inbox import Inbox
from bench.link.owner import OwnedLink

MS = 1_000_000


class Steered(OwnedLink):
    """A link whose transport is a list of functions, one a turn."""

    def __init__(self, *turns, confirms=False):
        super().__init__(SystemClock(), bus="can0")
        self.turns = list(turns)
        self.transmitted = []
        self.confirms = confirms
        self.closed = 0

    @property
    def facts(self):
        return LinkFacts("steered", self.confirms, "none", 1.0)

    def _connect(self):
        pass

    def _receive(self, timeout_s):
        if self.turns:
            return self.turns.pop(0)()
        time.sleep(min(timeout_s, 0.001))
        return []

    def _transmit(self, tag, can_id, data, extended):
        self.transmitted.append((tag, can_id))
        return

    def _wake(self):
        pass

    def _disconnect(self):
        self.closed += 1


@pytest.fixture(autouse=True, params=[False, True], ids=["its thread reads", "whoever waits reads"])
def _who(request, monkeypatch):
    monkeypatch.setattr(OwnedLink, "shared", request.param)


def run(link, enough, limit_s=3):
    """Entries of an opened link until enough."""
    entries = []
    until = link._clock.now_ns() + round(limit_s * 1e9)
    while not enough(entries) and link._clock.now_ns() < until:
        entries += link.wait(until)
    link.close()
    return entries


def ended(entries):
    return any(isinstance(e, LinkLost) for e in entries)


def fail(error):
    def turn():
        raise error

    return turn


def test_an_internal_error_ends_the_link_with_its_text_and_place():
    link = Steered(lambda: [Frame(1, 1, b"")], fail(ZeroDivisionError("oops")))
    link.open()
    entries = run(link, ended)
    assert entries[0] == Frame(1, 1, b"")
    line = fail.__code__.co_firstlineno + 2
    place = f"(test_owner_thread.py:{line})"
    assert entries[-1].reason == f"internal error in the link: ZeroDivisionError: oops {place}"
    assert link.closed == 1


def test_a_bench_error_ends_the_link_with_its_own_words():
    link = Steered(fail(BenchError("the port is gone")))
    link.open()
    assert run(link, ended)[-1].reason == "the port is gone"


def test_unanswered_sends_are_refused_when_the_link_ends():
    def wait_for_send():
        time.sleep(0.005)
        return []

    link = Steered(wait_for_send, list, fail(BenchError("gone")), confirms=True)
    link.send_at(0, 0x123, b"", False)
    link.open()
    entries = [e for e in run(link, ended) if not isinstance(e, Alive | HostLate)]
    assert [type(e) for e in entries] == [Frame, Refused, LinkLost]
    assert entries[1].reason == "the link ended before an answer"


def test_a_late_host_is_said_with_how_late():
    def stall():
        time.sleep(0.06)
        return []

    link = Steered(stall)
    link.open()
    late = [
        e for e in run(link, lambda got: any(isinstance(e, HostLate) for e in got)) if isinstance(e, HostLate)
    ]
    assert 50 <= late[0].late_ms <= 1000


def test_sends_go_out_in_order_of_their_instants():
    link = Steered()
    now = link._clock.now_ns()
    for k, wait_ms in enumerate((30, 10, 20)):
        link.send_at(now + wait_ms * MS, 0x100 + k, b"", False)
    link.open()
    entries = run(link, lambda got: sum(type(e) is Frame for e in got) == 3)
    assert [e.can_id for e in entries if type(e) is Frame] == [0x101, 0x102, 0x100]
    assert link.transmitted == [(0, 0x101), (1, 0x102), (2, 0x100)]


@pytest.mark.parametrize(
    ("can_id", "data", "extended"), [(0x800, b"", False), (1 << 29, b"", True), (1, bytes(9), True)]
)
def test_a_frame_that_cannot_exist_is_our_own_defect(can_id, data, extended):
    with pytest.raises(InternalError, match="is no classic CAN frame"):
        Steered().send_at(0, can_id, data, extended)


def test_a_link_opens_once_and_switches_no_supply():
    link = Steered()
    link.open()
    with pytest.raises(InternalError, match="opened once"):
        link.open()
    with pytest.raises(BenchError, match="link steered cannot switch the supply of main"):
        link.switch_supply_at(0, "main", True)
    link.close()
    link.close()


def test_a_full_queue_counts_what_it_drops_and_keeps_what_must_not_be_lost():
    inbox = Inbox(3)
    frames = [Frame(n, n, b"") for n in range(5)]
    own = replace_direction(frames[4])
    assert inbox.put(frames[:2]) == 0
    assert inbox.put([frames[2], frames[3], Alive(3), frames[4]]) == 2
    assert inbox.put([own, LinkLost(9, "gone")]) == 0
    assert inbox.take() == [*frames[:3], Dropped(4, "queue", 2), own, LinkLost(9, "gone")]
    assert inbox.put(frames[:1]) == 0
    assert inbox.take() == frames[:1]


def test_a_drop_is_said_as_soon_as_the_queue_is_looked_at():
    inbox = Inbox(1)
    inbox.put([Frame(0, 0, b""), Frame(1, 1, b""), Alive(2)])
    assert inbox.take() == [Frame(0, 0, b""), Dropped(1, "queue", 1)]
    inbox.put([Alive(5)])
    assert inbox.take() == [Alive(5)]


def replace_direction(frame):
    return frame._replace(direction=TX)


def test_statistics_begin_at_nothing():
    statistics = Steered().statistics()
    assert (statistics.received, statistics.sent, statistics.worst_confirm_ms) == (0, 0, 0.0)


class Told(Steered):
    """Keeps which thread received and which sent."""

    shared = True

    def __init__(self, *turns):
        super().__init__(*turns)
        self.received_in, self.sent_in = [], []

    def _receive(self, timeout_s):
        self.received_in.append(threading.current_thread())
        return super()._receive(timeout_s)

    def _transmit(self, tag, can_id, data, extended):
        self.sent_in.append(threading.current_thread())
        return super()._transmit(tag, can_id, data, extended)


def wait_until(condition, seconds=3):
    for _ in range(seconds * 1000):
        if condition():
            return
        time.sleep(0.001)
    raise AssertionError(f"after {seconds} s still not")


def test_while_a_caller_waits_it_reads_itself():
    link = Told()
    link.open()
    run(link, lambda got: threading.current_thread() in link.received_in)
    assert threading.current_thread() in link.received_in


def test_while_nobody_waits_the_links_thread_reads_and_nothing_is_out_of_order():
    link = Told(lambda: [Frame(1, 1, b"")], lambda: [Frame(2, 2, b"")])
    link.open()
    wait_until(lambda: not link.turns)
    link.turns.append(lambda: [Frame(3, 3, b"")])
    entries = run(link, lambda got: sum(type(e) is Frame for e in got) == 3)
    assert [e.can_id for e in entries if type(e) is Frame] == [1, 2, 3]
    assert link.received_in[0] is link._thread


def test_what_is_due_while_nobody_waits_is_sent():
    link = Told()
    link.open()
    link.send_at(link._clock.now_ns() + 20 * MS, 0x100, b"", False)
    wait_until(lambda: link.transmitted)
    link.close()
    assert link.sent_in == [link._thread]


def test_what_is_due_at_once_is_sent_by_the_caller_where_nobody_has_the_turn():
    link = Told()
    link._thread = threading.current_thread()  # none of its own that could have it
    link.send_at(0, 0x100, b"", False)
    assert link.sent_in == [threading.current_thread()]
    link.send_at(link._clock.now_ns() + 1000 * MS, 0x101, b"", False)
    link.send_at(0, 0x102, b"", False)
    assert link.transmitted == [(0, 0x100), (1, 0x102)]


def test_a_send_that_fails_in_the_callers_hands_ends_the_link_and_raises_nothing():
    link = Told()
    link._thread = threading.current_thread()
    link._transmit = lambda *_: fail(BenchError("the port is gone"))()
    link.send_at(0, 0x100, b"", False)
    assert [type(e) for e in link.wait(0)] == [Frame, LinkLost]
    link.send_at(0, 0x101, b"", False)
    assert link.wait(0) == [] and link.closed == 1


def test_a_link_can_be_closed_while_another_thread_waits():
    link = Told()
    link.open()
    until_ns = link._clock.now_ns() + 3_000 * MS

    def wait_again_and_again():
        while not link.closed and link._clock.now_ns() < until_ns:
            link.wait(until_ns)

    waiting = threading.Thread(target=wait_again_and_again)
    waiting.start()
    wait_until(lambda: waiting in link.received_in)
    link.close()
    waiting.join(5)
    assert not waiting.is_alive() and link.closed == 1
