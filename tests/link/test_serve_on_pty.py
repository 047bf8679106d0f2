"""The twin behind a pseudo-terminal: served in real time, to one computer after another."""

import io
import os
import signal
import subprocess
import sys
import textwrap
import threading
from pathlib import Path

import can
import pytest

from bench.core.clock import SystemClock
from bench.core.entry import Confirmed
from bench.core.frame import RX, Frame
from bench.lab.serve import PtyServer, serve_on_pty, serve_until
from bench.link.slcan_link import SlcanLink

MS = 1_000_000
pytestmark = [pytest.mark.realtime, pytest.mark.slow]


class Lamp:
    """A box with one light: frame 100 toggles it; it reports every 10 ms, cyclic, in frame 200."""

    def __init__(self, start_ns):
        self.on = 0
        self._next_ns = start_ns

    def receive(self, t_ns, can_id, data, extended):
        if can_id == 0x100:
            self.on ^= 1

    def next_due(self):
        return self._next_ns

    def run_until(self, t_ns):
        frames = []
        while self._next_ns <= t_ns:
            frames.append(Frame(self._next_ns, 0x200, bytes([self.on]), False))
            self._next_ns += 10 * MS
        return frames


@pytest.fixture
def served():
    clock = SystemClock()
    lamp = Lamp(clock.now_ns())
    server = PtyServer(lamp, clock)
    stop = threading.Event()
    thread = threading.Thread(target=serve_until, args=(server, stop.is_set))
    thread.start()
    yield server, lamp
    stop.set()
    thread.join()
    server.close()


def seen(link, count):
    """The first `count` received frames."""
    until = SystemClock().now_ns() + 3_000 * MS
    frames = []
    while len(frames) < count and SystemClock().now_ns() < until:
        frames += [e for e in link.wait(until) if type(e) is Frame and e.direction == RX]
    return frames


def press_and_leave(path, *, orderly):
    """Open, toggle the lamp, see that it is on; leave with or without closing the channel."""
    link = SlcanLink(path, SystemClock())
    link.open()
    link.send_at(0, 0x100, b"\x01", False)
    assert any(f.data == b"\x01" for f in seen(link, 10))
    if not orderly:
        link._stop.set = lambda: None  # the process dies: no C command is written
        link._port.close()
        link._thread.join()
        return
    link.close()


@pytest.mark.parametrize("orderly", [True, False], ids=["after closing", "without closing"])
def test_the_light_stays_as_it_is_when_the_computer_goes_and_another_sees_it(served, orderly):
    server, lamp = served
    press_and_leave(server.path, orderly=orderly)
    SystemClock().wait_until(SystemClock().now_ns() + 200 * MS)
    assert lamp.on == 1
    link = SlcanLink(server.path, SystemClock())
    link.open()
    frames = seen(link, 5)
    link.close()
    assert {f.data for f in frames} == {b"\x01"}
    assert link.statistics().garbage == 0
    assert lamp.on == 1


def test_nothing_is_said_while_the_channel_is_closed(served):
    import serial

    with serial.Serial(served[0].path, timeout=0.1) as port:
        assert port.read(100) == b""
        port.write(b"V\r")
        assert port.read(6) == b"V1013\r"


def test_python_can_talks_to_the_served_box(served):
    """Source: python-can 4.6.1 can/interfaces/slcan.py, its own codec at the far end of ours."""
    server, _ = served
    with can.Bus(interface="slcan", channel=server.path, bitrate=250_000, sleep_after_open=0.05) as bus:
        message = bus.recv(2)
        assert (message.arbitration_id, bytes(message.data)) == (0x200, b"\x00")
        bus.send(can.Message(arbitration_id=0x100, data=[1], is_extended_id=False))
        answers = [bus.recv(0.5) for _ in range(20)]
    assert any(m is not None and bytes(m.data) == b"\x01" for m in answers)
    assert server.adapter.bitrate_code == 5


def test_frames_come_in_real_time(served):
    link = SlcanLink(served[0].path, SystemClock())
    link.open()
    frames = seen(link, 50)
    late = sum(type(e).__name__ == "HostLate" for e in link.wait(0))
    link.close()
    taken_ms = (frames[49].t_ns - frames[0].t_ns) / MS
    assert 470 <= taken_ms <= 510 or late, f"50 frames of 10 ms took {taken_ms} ms"


def test_the_loop_test_measures_the_way_to_the_adapter_and_back(served):
    link = SlcanLink(served[0].path, SystemClock())
    link.open()
    worst_ms = link.loop_test()
    assert link.version == "V1013"
    link.send_at(0, 0x100, b"", False)
    entries = link.wait(SystemClock().now_ns() + 1000 * MS)
    while not any(isinstance(e, Confirmed) for e in entries):
        entries += link.wait(SystemClock().now_ns() + 1000 * MS)
    statistics = link.statistics()
    link.close()
    assert 0 < worst_ms < 1000
    assert (statistics.sent, statistics.confirmed, statistics.refused) == (1, 1, 0)
    assert statistics.worst_confirm_ms > 0


PROGRAM = textwrap.dedent("""
    from bench.core.clock import SystemClock
    from bench.lab.serve import serve_on_pty
    class Quiet:
        def receive(self, *frame): pass
        def next_due(self): return None
        def run_until(self, t_ns): return []
    serve_on_pty(Quiet(), SystemClock())
    print("ended in order")
""")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT], ids=lambda n: n.name)
def test_the_served_process_prints_its_path_first_and_ends_on_a_signal(number):
    with subprocess.Popen(
        [sys.executable, "-c", PROGRAM], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        path = process.stdout.readline().rstrip("\n")
        link = SlcanLink(path, SystemClock())
        link.open()
        link.close()
        process.send_signal(number)
        out, err = process.communicate(timeout=5)
    assert Path(path).is_absolute()
    assert out == "ended in order\n"
    assert err == "serving in real time; stop with Ctrl-C or SIGTERM\n"
    assert process.returncode == 0


def test_serving_says_how_much_was_not_fetched(monkeypatch):
    class Flood(Lamp):
        def run_until(self, t_ns):
            os.kill(os.getpid(), signal.SIGTERM)
            return [Frame(t_ns, 0x200, bytes(8), False)] * 20_000

    out, err = io.StringIO(), io.StringIO()
    from bench.lab import serve

    class Opened(serve.SlcanAdapter):
        def __init__(self):
            super().__init__()
            self.open = True

    monkeypatch.setattr(serve, "SlcanAdapter", Opened)
    serve_on_pty(Flood(0), SystemClock(), out, err)
    assert out.getvalue().startswith("/")
    assert "lines were not fetched in time and were lost" in err.getvalue()
