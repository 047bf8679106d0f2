"""What python-can's messages become, and what its errors become."""

import can
import pytest

from bench.core.clock import SystemClock
from bench.core.entry import Confirmed, Refused
from bench.core.frame import RX, TX, Frame
from bench.link.can_link import CanLink, check_interface

MESSAGES = [
    (can.Message(arbitration_id=0x123, is_extended_id=False, data=b"\x01"), Frame(7, 0x123, b"\x01", False)),
    (can.Message(arbitration_id=0x18FF2021, data=b""), Frame(7, 0x18FF2021, b"")),
    (
        can.Message(arbitration_id=0x18FF2021, is_remote_frame=True, dlc=3),
        Frame(7, 0x18FF2021, b"", remote=True, dlc=3),
    ),
    (
        can.Message(arbitration_id=0x20, is_error_frame=True, data=bytes(8)),
        Frame(7, 0x20, bytes(8), error=True),
    ),
    (
        can.Message(arbitration_id=0x20, is_fd=True, bitrate_switch=True, data=bytes(12)),
        Frame(7, 0x20, bytes(12), fd_flags=1),
    ),
]


@pytest.mark.parametrize(("message", "frame"), MESSAGES, ids=lambda m: getattr(m, "arbitration_id", ""))
def test_each_kind_of_message_becomes_its_frame(message, frame):
    assert CanLink("virtual", "x", SystemClock())._entry(message, 7) == frame


def test_a_local_frame_of_another_program_is_received_not_confirmed():
    """Source: measured; on a virtual CAN interface local frames arrive flagged as sent (docs/links.md)."""
    link = CanLink("virtual", "x", SystemClock())
    link._pending.append((0, 5))
    link._sent_texts.append((0x100, b"\x01", True))
    other = can.Message(arbitration_id=0x200, data=b"\x01", is_rx=False)
    own = can.Message(arbitration_id=0x100, data=b"\x01", is_rx=False)
    assert link._entry(other, 7) == Frame(7, 0x200, b"\x01", True, RX)
    assert link._entry(own, 8) == Confirmed(8, 0)
    assert link._entry(own, 9) == Frame(9, 0x100, b"\x01", True, RX)


@pytest.mark.realtime
@pytest.mark.slow
def test_a_send_whose_echo_never_comes_is_refused():
    class Deaf:
        def recv(self, timeout):
            SystemClock().wait_until(SystemClock().now_ns() + int(timeout * 1e9))

        def send(self, message, timeout):
            pass

        def shutdown(self):
            pass

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(can, "Bus", lambda **options: Deaf())
        link = CanLink("virtual", "x", SystemClock())
        link.open()
    link.send_at(0, 0x100, b"\x01")
    entries = []
    until_ns = SystemClock().now_ns() + 3_000_000_000
    while not any(isinstance(e, Refused) for e in entries) and SystemClock().now_ns() < until_ns:
        entries += link.wait(until_ns)
    link.close()
    assert [e.direction for e in entries if type(e) is Frame] == [TX]
    (refused,) = [e for e in entries if isinstance(e, Refused)]
    assert refused.reason == "no echo within 500 ms: not known to have reached the bus"


@pytest.mark.parametrize("name", ["virtual", "socketcan", "pcan", "slcan", "udp_multicast"])
def test_the_interfaces_of_python_can_are_known(name):
    """Source: python-can's own list of interfaces."""
    assert check_interface(name) is None
