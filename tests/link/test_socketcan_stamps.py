"""The kernel's stamps, which follow the host's wall clock: believed only where they can be true."""

from bench.core.clock import VirtualClock
from bench.link.socketcan_link import SocketCanLink

MS = 1_000_000
EMPTIED, NOW = 5_000 * MS, 5_020 * MS


def believed(t_ns):
    link = SocketCanLink("can0", VirtualClock(0))
    link._emptied_ns = EMPTIED
    return link._believed(t_ns, NOW)


def test_a_stamp_since_the_queue_was_empty_is_believed():
    assert [believed(t) for t in (EMPTIED, EMPTIED + 7 * MS, NOW)] == [EMPTIED, EMPTIED + 7 * MS, NOW]


def test_after_a_step_of_the_hosts_clock_the_instant_of_reading_is_taken():
    assert [believed(t) for t in (NOW - 3_000 * MS, NOW + 3_000 * MS)] == [NOW, NOW]
