"""The kit on real SocketCAN, with can-utils as witnesses. Runs where vcan0 is: inside tests/uml."""

import os
import pty
import struct
import subprocess
import tty

import pytest
from conformance_ends import factory
from socketcan_ends import Candump, SlcandEnd, SocketCanEnd, has_vcan

from bench.core.clock import SystemClock
from bench.core.entry import Dropped, LinkLost
from bench.core.frame import RX, Frame
from bench.link.slcan_codec import Decoder, Received, encode_frame
from bench.link.socketcan_link import LEAST_BUFFER, SocketCanLink
from bench.testing import CHECKS

pytestmark = [
    pytest.mark.realtime,
    pytest.mark.alone,
    pytest.mark.slow,
    pytest.mark.skipif(not has_vcan(), reason="no vcan0 here; `make conformance` makes one"),
]
MS = 1_000_000


@pytest.mark.parametrize("name", sorted(CHECKS.keys() - {"garbage", "held"}))
def test_socketcan_conforms(name):
    CHECKS[name](factory(SocketCanEnd))


NOT_OF_SLCAND = {"garbage", "refused_send", "silent_adapter", "bus_off", "held"}  # it passes none of these on


@pytest.mark.parametrize("name", sorted(CHECKS.keys() - NOT_OF_SLCAND))
def test_socketcan_over_slcand_conforms(name):
    CHECKS[name](factory(SlcandEnd))


def seen(link, enough, clock, for_ms=5000):
    entries, until_ns = [], clock.now_ns() + for_ms * MS
    while not enough(entries) and clock.now_ns() < until_ns:
        entries += link.wait(until_ns)
    return entries


def test_the_receive_buffer_is_set_and_read_back():
    with factory(SocketCanEnd)() as far:
        far.link.open()
        try:
            assert far.link.buffer_bytes >= LEAST_BUFFER
        finally:
            far.link.close()


def test_frames_that_the_kernel_drops_are_counted_by_it(monkeypatch):
    """A small buffer, and a reader that is held up: seen and told lost add up to what was sent."""
    monkeypatch.setattr("bench.link.socketcan_link.RECEIVE_BUFFER", 16_384)
    with factory(SocketCanEnd)() as far:
        monkeypatch.setattr("bench.link.socketcan_link._SO_RCVBUFFORCE", 8)  # SO_RCVBUF
        far.link._connect()
        far.inject([(0x100 + n, b"\x01", False) for n in range(500)])
        entries = far.link._receive(1.0)
        far.inject([(0x7, b"\x02", False)])  # the count comes with the next frame
        entries += far.link._receive(1.0)
        far.link._disconnect()
    lost = sum(e.lost for e in entries if isinstance(e, Dropped))
    assert lost > 0
    assert sum(type(e) is Frame for e in entries) + lost == 501


def test_the_kernels_filter_lets_only_what_was_asked_for_through():
    with factory(SocketCanEnd)() as far:
        far.link = SocketCanLink(far.name, far.clock, filters=[(0x123, 0x7FF | 1 << 31)])
        far.link.open()
        far.inject([(0x124, b"", False), (0x123, b"", False), (0x123, b"", True), (0x123, b"\x09", False)])
        entries = seen(far.link, lambda e: any(type(f) is Frame and f.data for f in e), far.clock)
        far.link.close()
    assert [f.can_id for f in entries if type(f) is Frame and f.direction == RX] == [0x123, 0x123]


def test_an_error_frame_comes_out_as_one_and_a_receive_overflow_is_a_loss():
    """Source: Linux include/uapi/linux/can/error.h: CAN_ERR_CRTL 4, CAN_ERR_CRTL_RX_OVERFLOW in data[1]."""
    with factory(SocketCanEnd)() as far:
        far.link.open()
        far.other.send(struct.pack("=IB3x8s", 0x20000004, 8, b"\x00\x01"))
        entries = seen(far.link, lambda e: any(isinstance(x, Dropped) for x in e), far.clock)
        far.link.close()
    assert [f.error for f in entries if type(f) is Frame] == [True]
    assert [e.where for e in entries if isinstance(e, Dropped)] == ["adapter"]


def test_an_interface_that_goes_down_is_named():
    with factory(SocketCanEnd)() as far:
        far.link.open()
        subprocess.run(["ip", "link", "set", far.name, "down"], check=True)
        entries = seen(far.link, lambda e: any(isinstance(x, LinkLost) for x in e), far.clock)
        far.link.close()
    assert "Network is down" in entries[-1].reason


def test_cansend_reaches_the_link():
    with factory(SocketCanEnd)() as far:
        far.link.open()
        subprocess.run(["cansend", far.name, "18FF2021#0102030405060708"], check=True)
        entries = seen(far.link, lambda e: any(type(f) is Frame for f in e), far.clock)
        far.link.close()
    (frame,) = [f for f in entries if type(f) is Frame]
    assert (frame.can_id, frame.data, frame.extended) == (0x18FF2021, bytes(range(1, 9)), True)


class Slcand:
    """slcand of can-utils as the computer, this test as the adapter."""

    def __init__(self):
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        self.process = subprocess.Popen(["slcand", "-F", "-o", "-s5", os.ttyname(slave), "slc0"])
        self.slave = slave

    def read_until(self, wanted):
        data, clock = b"", SystemClock()
        until_ns = clock.now_ns() + 5_000 * MS
        while wanted not in data and clock.now_ns() < until_ns:
            data += os.read(self.master, 4096)
        return data

    def close(self):
        self.process.terminate()
        self.process.wait()
        os.close(self.slave)
        os.close(self.master)


def test_slcand_and_our_codec_understand_each_other():
    far = Slcand()
    try:
        opening = far.read_until(b"O\r")
        assert opening == b"C\rS5\rO\r"
        clock = SystemClock()
        clock.wait_until(clock.now_ns() + 200 * MS)
        subprocess.run(["ip", "link", "set", "slc0", "up"], check=True)
        for text in ("123#0102", "18FF2021#", "00000001#0102030405060708"):
            subprocess.run(["cansend", "slc0", text], check=True)
        lines = far.read_until(b"T0000000180102030405060708\r")
        items = Decoder().feed(lines)
        assert items == [
            Received(0x123, b"\x01\x02", False),
            Received(0x18FF2021, b"", True),
            Received(1, bytes(range(1, 9)), True),
        ]
        witness = Candump("slc0")
        try:
            clock.wait_until(clock.now_ns() + 300 * MS)
            os.write(far.master, encode_frame(0x7FF, b"\xff", extended=False))
            os.write(far.master, encode_frame(0x1FFFFFFF, bytes(8)))
            clock.wait_until(clock.now_ns() + 300 * MS)
            assert witness.lines == ["7FF#FF", "1FFFFFFF#0000000000000000"]
        finally:
            witness.close()
    finally:
        far.close()
