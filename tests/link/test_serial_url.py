"""A port that is no pseudo-terminal: pyserial's socket:// handler, as where there are none (Windows)."""

import socket
import threading

import pytest

from bench.core.clock import SystemClock
from bench.core.entry import Confirmed, LinkLost
from bench.core.errors import BenchError
from bench.lab.slcan_server import SlcanAdapter
from bench.link import open_link

MS = 1_000_000
pytestmark = [pytest.mark.realtime, pytest.mark.slow]


def serve(listener, heard):
    """One computer, one adapter behind a loopback socket, until the computer leaves."""
    connection, _ = listener.accept()
    adapter = SlcanAdapter()
    with connection:
        while data := connection.recv(4096):
            answers, sent = adapter.feed(data)
            heard += sent
            connection.sendall(answers)
            if any(s.can_id == 0x666 for s in sent):
                return


@pytest.fixture
def port():
    heard = []
    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=serve, args=(listener, heard))
        thread.start()
        yield f"slcan:socket://127.0.0.1:{listener.getsockname()[1]}", heard
        thread.join()


def until(link, kind):
    clock, entries = SystemClock(), []
    end_ns = clock.now_ns() + 5_000 * MS
    while not any(isinstance(e, kind) for e in entries) and clock.now_ns() < end_ns:
        entries += link.wait(end_ns)
    return entries


def test_sends_over_a_loopback_socket_are_confirmed(port):
    name, heard = port
    link = open_link(name, SystemClock())
    link.send_at(0, 0x123, b"\x01", False)
    entries = until(link, Confirmed)
    link.close()
    assert [e.tag for e in entries if isinstance(e, Confirmed)] == [0]
    assert [(s.can_id, s.data) for s in heard] == [(0x123, b"\x01")]


def test_a_socket_that_closes_is_a_link_lost(port):
    link = open_link(port[0], SystemClock())
    link.send_at(0, 0x666, b"", False)
    entries = until(link, LinkLost)
    link.close()
    assert isinstance(entries[-1], LinkLost)
    assert "is gone" in entries[-1].reason


def test_a_socket_that_nobody_serves_cannot_be_opened():
    with socket.create_server(("127.0.0.1", 0)) as listener:
        free = listener.getsockname()[1]
    with pytest.raises(BenchError, match="cannot be opened as a serial port"):
        open_link(f"slcan:socket://127.0.0.1:{free}", SystemClock())
