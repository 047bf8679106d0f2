"""Which adapters can be asked whether they hold frames back, and what becomes of their answers."""

import pytest

from bench.core.clock import SystemClock
from bench.core.entry import AdapterLate, Dropped, HostLate
from bench.core.frame import Frame
from bench.lab.slcan_server import SlcanAdapter
from bench.link.slcan_link import SlcanLink

MS = 1_000_000
pytestmark = [pytest.mark.realtime, pytest.mark.slow]


class Odd(SlcanAdapter):
    """Answers some commands with something of its own."""

    def __init__(self, **answers):
        super().__init__()
        self.answers = {name.encode(): list(texts) for name, texts in answers.items()}
        self.asked = []

    def _obey(self, line, frames):
        self.asked.append(line)
        own = self.answers.get(line)
        if own is None:
            return super()._obey(line, frames)
        return own.pop(0) if len(own) > 1 else own[0]


class Wire:
    """A port with the adapter right behind it."""

    selects = False

    def __init__(self, adapter, clock):
        self.adapter, self.clock, self.waiting = adapter, clock, b""
        self.slow_ms, self.on_the_way = 0, []

    def write(self, data):
        due_ns = self.clock.now_ns() + self.slow_ms * MS
        self.on_the_way.append((due_ns, self.adapter.feed(data)[0]))

    def read(self, timeout_s):
        while self.on_the_way and self.on_the_way[0][0] <= self.clock.now_ns():
            self.waiting += self.on_the_way.pop(0)[1]
        if not self.waiting:
            now_ns = self.clock.now_ns()
            self.clock.wait_until(now_ns + min(round(timeout_s * 1e9), MS))
        data, self.waiting = self.waiting, b""
        return data

    def wake(self):
        pass

    def close(self):
        pass


@pytest.fixture
def linked():
    """Opens a link to an adapter; closed afterwards."""
    links = []

    def open_to(adapter):
        clock = SystemClock()
        link = SlcanLink("wire", clock, opener=lambda name, baud: Wire(adapter, clock))
        link.open()
        links.append(link)
        return link

    yield open_to
    for link in links:
        link.close()


def entries_of(link, for_ms):
    clock, entries = SystemClock(), []
    until_ns = clock.now_ns() + for_ms * MS
    while clock.now_ns() < until_ns:
        entries += link.wait(until_ns)
    return entries


BUILD = b"4f2a-dirty example.org/some-firmware\r"  # no answer of the protocol, but one line of words
ANSWERS = {
    "a version": ({}, True, "V1013", b"V"),
    "words instead of a version": ({"V": [BUILD]}, True, "", b"V"),
    "a long text": ({"V": [b"v" * 90 + b"\r"]}, True, "", b"V"),
    "no version, but a number": ({"V": [b"\x07"]}, True, "", b"N"),
    "two lines, and no number": ({"V": [b"V1013\r\r"], "N": [b"\x07"]}, False, "V1013", None),
    "each time another": ({"V": [b"V1\r", b"V2\r"], "N": [b"N1\r", b"N1\r", b"N2\r"]}, False, "V1", None),
    "nothing": ({"V": [b""], "N": [b""]}, False, "", None),
    "bytes that are no text": ({"V": [b"\xff\xfe\r"], "N": [b"\x07"]}, False, "", None),
}


@pytest.mark.parametrize("name", ANSWERS)
def test_only_an_adapter_that_answers_in_one_line_and_always_alike_makes_a_link_timely(linked, name):
    answers, timely, version, question = ANSWERS[name]
    adapter = Odd(**answers)
    link = linked(adapter)
    assert (link.facts.timely, link.version) == (timely, version)
    asked = len(adapter.asked)
    entries = entries_of(link, 100)
    since = adapter.asked[asked:]
    assert set(since) == ({question} if timely else set())
    late_ms = sum(e.late_ms for e in entries if isinstance(e, HostLate | AdapterLate))
    assert not timely or (len(since) + late_ms / 7 >= 8 and len(since) <= 21)
    assert not any(isinstance(e, Dropped) for e in entries)
    assert link.statistics().garbage == 0


def test_an_adapter_that_answers_no_question_has_no_loop_test(linked):
    assert linked(Odd(V=[b"\x07"], N=[b"\x07"])).loop_test() is None


def test_a_port_that_takes_its_time_is_told_of_until_the_loop_test_has_shown_it(linked):
    """As a serial converter does that collects bytes for 16 ms; the judge reckons with it from then on."""
    link = linked(SlcanAdapter())
    link._port.slow_ms = 16
    before = entries_of(link, 150)
    worst_ms = link.loop_test()
    entries_of(link, 1)
    after = entries_of(link, 150)
    assert sum(isinstance(e, AdapterLate) for e in before) >= 4
    assert worst_ms >= 16
    assert all(e.late_ms > 2 * worst_ms for e in after if isinstance(e, AdapterLate))


def test_a_torn_line_is_a_loss_and_no_answer(linked):
    """It is words too, as the version of this adapter is."""
    link = linked(Odd(V=[BUILD]))
    link._port.waiting += b"T18FF2\rV99\r"
    entries = entries_of(link, 60)
    assert sum(e.lost for e in entries if isinstance(e, Dropped)) == 2
    assert link.statistics().garbage == 2


def test_an_answer_lost_is_told_of_until_another_proves_that_nothing_is_held(linked):
    adapter = Odd(V=[b"V1013\r"] * 5 + [b"", b"V1013\r"])
    link = linked(adapter)
    entries = entries_of(link, 1200)
    late = [e for e in entries if isinstance(e, AdapterLate) and e.late_ms > 50]
    assert len(late) >= 6 and max(e.late_ms for e in late) > 500
    assert not any(isinstance(e, Dropped) for e in entries)
    link._port.waiting += b"t1230\r"
    assert [e.can_id for e in entries_of(link, 40) if type(e) is Frame] == [0x123]
