"""Far ends for the conformance kit: our slcan on a pseudo-terminal, python-can's virtual bus, a fake."""

from __future__ import annotations

import threading
from collections import deque
from contextlib import contextmanager

import can
from can.interfaces.virtual import VirtualBus

from bench.core.clock import SystemClock, VirtualClock
from bench.core.entry import LinkLost
from bench.core.frame import Frame
from bench.lab.one_fault import DIES, HELD, REFUSED, FaultyBench, LinkFault
from bench.lab.serve import PtyServer, serve_until
from bench.lab.slcan_server import SlcanAdapter
from bench.lab.virtual import VirtualBench
from bench.link.can_link import CanLink
from bench.link.serial_port import PollPort
from bench.link.slcan_link import SlcanLink
from bench.testing import FakeLink
from bench.testing.far_end import BUS_OFF, GARBAGE, HOLD, REFUSE, SILENT_ADAPTER, UNPLUG, CannotPlayError


class Bus:
    """A box that says what it is told to say and keeps what it hears."""

    def __init__(self):
        self.to_say = deque()
        self.heard = []

    def receive(self, t_ns, can_id, data, extended):
        self.heard.append((can_id, data, extended))

    def next_due(self):
        return 0 if self.to_say else None

    def run_until(self, t_ns):
        said = []
        while self.to_say:
            said.append(self.to_say.popleft())
        return said


class OddAdapter(SlcanAdapter):
    """An adapter that can also talk nonsense, fall silent or hold everything back."""

    mute = False
    hold_until_ns = 0

    def holding(self):
        return SystemClock().now_ns() < self.hold_until_ns

    def show(self, frame):
        return frame if isinstance(frame, bytes) else super().show(frame)

    def feed(self, data):
        return (b"", []) if self.mute else super().feed(data)


class Served:
    """A PtyServer turning in a thread of its own."""

    def __init__(self, box, adapter=None):
        self.server = PtyServer(box, SystemClock(), adapter)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=serve_until, args=(self.server, self._stop.is_set))
        self._thread.start()

    def close(self):
        self._stop.set()
        self._thread.join()
        self.server.close()


def poll_port(name, baud):
    """The port as it is used where select cannot wait on it."""
    import serial

    return PollPort(serial.Serial(name, baud, exclusive=True), name)


class SlcanEnd:
    abilities = frozenset({REFUSE, GARBAGE, UNPLUG, SILENT_ADAPTER, HOLD})

    def __init__(self, *, bare_answers=False, polled=False, stamps=False):
        self.clock = SystemClock()
        self.bus = Bus()
        self.adapter = OddAdapter(bare_answers=bare_answers)
        self.adapter.stamps = stamps
        self.served = Served(self.bus, self.adapter)
        opener = {"opener": poll_port} if polled else {}
        self.link = SlcanLink(self.served.server.path, self.clock, **opener)

    def inject(self, frames):
        self.bus.to_say.extend(Frame(self.clock.now_ns(), *f) for f in frames)

    def sent(self):
        return list(self.bus.heard)

    def refuse(self, refusing):
        self.adapter.refusing = refusing

    def garbage(self, data):
        self.bus.to_say.append(data)

    def silence(self):
        self.adapter.mute = True

    def hold(self, for_ns):
        self.adapter.hold_until_ns = self.clock.now_ns() + for_ns

    def unplug(self):
        self.served.close()

    def close(self):
        self.served.close()


class LibrarySlcan(CanLink):
    """python-can's own slcan interface, which does not wait for the adapter to have opened."""

    def __init__(self, path, clock, adapter):
        super().__init__("slcan", path, clock)
        self._adapter = adapter

    def open(self):
        super().open()
        for _ in range(500):
            if self._adapter.open:
                return
            self._clock.wait_until(self._clock.now_ns() + 10_000_000)
        raise AssertionError("the adapter was not opened within 5 s")


class LibrarySlcanEnd(SlcanEnd):
    """The same adapter, with the library at this side."""

    def __init__(self):
        super().__init__()
        self.link = LibrarySlcan(self.served.server.path, self.clock, self.adapter)


class FailingBus(VirtualBus):
    """A bus of python-can whose driver can refuse, swallow frames, and vanish."""

    refusing = mute = gone = False

    def send(self, msg, timeout=None):
        if self.refusing:
            raise can.CanOperationError("No buffer space available")
        if not self.mute:
            super().send(msg, timeout)

    def _recv_internal(self, timeout):
        if self.gone:
            raise can.CanOperationError("Network is down")
        return super()._recv_internal(timeout)


class CanEnd:
    """Link and witness on one virtual channel of python-can, each with its own Bus."""

    numbers = iter(range(1_000_000))

    def __init__(self, monkeypatch=None):
        self.abilities = frozenset({REFUSE, UNPLUG, SILENT_ADAPTER} if monkeypatch else ())
        self.clock = SystemClock()
        channel = f"conformance{next(self.numbers)}"
        self.other = VirtualBus(channel)
        self.made = []
        if monkeypatch:
            monkeypatch.setattr(can, "Bus", self._make)
        self.link = CanLink("virtual", channel, self.clock)

    def _make(self, channel, interface, **options):
        self.made.append(FailingBus(channel, **options))
        return self.made[-1]

    def inject(self, frames):
        for can_id, data, extended in frames:
            self.other.send(can.Message(arbitration_id=can_id, data=data, is_extended_id=extended))

    def sent(self):
        got = []
        while (m := self.other.recv(0)) is not None:
            got.append((m.arbitration_id, bytes(m.data), m.is_extended_id))
        return got

    def refuse(self, refusing):
        self.made[0].refusing = refusing

    def unplug(self):
        self.made[0].gone = True

    def garbage(self, data):
        raise CannotPlayError

    def silence(self):
        self.made[0].mute = True

    def close(self):
        self.other.shutdown()


class FakeEnd:
    abilities = frozenset({REFUSE, UNPLUG, BUS_OFF})

    def __init__(self):
        self.clock = VirtualClock(1_000_000_000)
        self.link = FakeLink(self.clock)

    def inject(self, frames):
        for can_id, data, extended in frames:
            self.link.see(Frame(self.clock.now_ns(), can_id, data, extended))

    def sent(self):
        return [(f.can_id, f.data, f.extended) for f in self.link.sent]

    def refuse(self, refusing):
        self.link.refusing = refusing

    def bus_off(self):
        self.link.see(LinkLost(self.clock.now_ns(), "bus-off"))

    def unplug(self):

        self.link.see(LinkLost(self.clock.now_ns(), "unplugged"))

    def garbage(self, data):
        raise CannotPlayError

    def silence(self):
        raise CannotPlayError

    def close(self):
        pass


class VirtualEnd:
    """The in-process virtual bench."""

    abilities = frozenset()

    def __init__(self):
        self.clock = VirtualClock(1_000_000_000)
        self.bus = Bus()
        self.link = VirtualBench(self.bus, self.clock)

    def inject(self, frames):
        self.bus.to_say.extend(Frame(self.clock.now_ns(), *f) for f in frames)

    def sent(self):
        return list(self.bus.heard)

    def close(self):
        pass


class FaultyEnd(VirtualEnd):
    """The in-process virtual bench with a link that fails."""

    abilities = frozenset({REFUSE, UNPLUG, HOLD})

    def __init__(self):
        super().__init__()
        self.link = FaultyBench(self.bus, self.clock, LinkFault(REFUSED, 0, 0))

    def refuse(self, refusing):
        now_ns = self.clock.now_ns()
        self.link._fault = LinkFault(REFUSED, now_ns, now_ns + 3_600_000_000_000 if refusing else now_ns)

    def hold(self, for_ns):
        self.link._fault = LinkFault(HELD, self.clock.now_ns(), self.clock.now_ns() + for_ns)

    def unplug(self):
        self.link._fault = LinkFault(DIES, self.clock.now_ns(), self.clock.now_ns())


def factory(make, *args, **options):
    """A FarEndFactory."""

    @contextmanager
    def end():
        far = make(*args, **options)
        try:
            yield far
        finally:
            far.close()

    return end
