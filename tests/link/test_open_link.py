"""From text to link, and every way it can fail to open, each with one clear message."""

import errno
import os
import pty
import threading
import tty

import can
import pytest
import serial

from bench.core.clock import SystemClock
from bench.core.errors import BenchError, UsageError
from bench.lab.slcan_server import SlcanAdapter
from bench.link import link_from_text, open_link
from bench.link.can_link import CanLink
from bench.link.slcan_link import SlcanLink

CLOCK = SystemClock()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("slcan", "'slcan' names no link - expected slcan:PORT[@BITRATE] or INTERFACE:CHANNEL"),
        ("", "'' names no link"),
        ("slcan:", "'slcan:' names no link"),
        (":x", "':x' names no link"),
        ("slcan:/dev/x@fast", "bit rate 'fast' in 'slcan:/dev/x@fast' is no number - expected bit/s"),
        ("slcan:/dev/x@0", "bit rate '0' in"),
        ("slcan:/dev/x@123456", "slcan has no bit rate of 123456 bit/s - expected one of 10000, 20000"),
        ("slcan:/dev/x@750000", "S7 means 750000 to some adapters and 800000 to others"),
        (
            "socketcam:can0",
            "unknown CAN interface 'socketcam' - expected INTERFACE:CHANNEL - did you mean socketcan?",
        ),
        ("slkan:/dev/x", "did you mean slcan?"),
        ("zzz:1", "known are"),
    ],
)
def test_a_wrong_text_says_what_would_be_right(text, told):
    with pytest.raises(UsageError) as caught:
        link_from_text(text, CLOCK)
    assert told in str(caught.value)


def test_texts_name_port_channel_and_bitrate():
    link = link_from_text("slcan:/dev/ttyACM0@500000", CLOCK)
    assert isinstance(link, SlcanLink)
    assert (link._name, link._code, link.facts.name) == ("/dev/ttyACM0", "S6", "slcan:/dev/ttyACM0")
    link = link_from_text("virtual:a:b", CLOCK)
    assert isinstance(link, CanLink)
    assert (link._interface, link._channel, link._bitrate) == ("virtual", "a:b", 250_000)
    assert link.facts.confirms


def test_a_link_that_is_not_known_to_echo_confirms_nothing():
    facts = link_from_text("udp_multicast:239.0.0.1", CLOCK).facts
    assert (facts.confirms, facts.echo) == (False, "none")


def told_on_open(text, **options):
    with pytest.raises(BenchError) as caught:
        open_link(text, CLOCK, **options)
    return str(caught.value)


def test_a_missing_port_is_named(tmp_path):
    assert f"serial port {tmp_path}/ttyX does not exist - " in told_on_open(f"slcan:{tmp_path}/ttyX")


def test_a_file_is_no_serial_port(tmp_path):
    (tmp_path / "f").write_text("")
    assert "cannot be opened as a serial port" in told_on_open(f"slcan:{tmp_path}/f")


@pytest.mark.parametrize(
    ("number", "told"),
    [
        (errno.EACCES, "may not be opened by this user - join the group that owns the port"),
        (errno.EBUSY, "is busy - close the program that uses it"),
        (errno.ENOENT, "does not exist"),
        (errno.EIO, "cannot be opened as a serial port: [Errno 5] could not open port"),
    ],
)
def test_what_the_system_says_of_a_port_is_put_in_words(monkeypatch, number, told):
    def fail(*args, **options):
        raise serial.SerialException(number, "could not open port")

    monkeypatch.setattr(serial, "Serial", fail)
    assert told in told_on_open("slcan:/dev/ttyX")


@pytest.fixture
def terminal():
    """A raw pseudo-terminal; (master, path)."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    yield master, os.ttyname(slave)
    os.close(master)
    os.close(slave)


@pytest.mark.slow
def test_a_mute_adapter_is_named(terminal):
    told = told_on_open(f"slcan:{terminal[1]}")
    assert (
        f"the adapter at {terminal[1]} does not answer within 500 ms - check that it is a slcan adapter"
        in told
    )


def test_a_port_in_use_is_busy(terminal):
    with serial.Serial(terminal[1], exclusive=True):
        assert f"serial port {terminal[1]} is busy" in told_on_open(f"slcan:{terminal[1]}")


class Refusing(SlcanAdapter):
    """Refuses one command."""

    what = b""

    def _obey(self, line, frames):
        return b"\x07" if line.startswith(self.what) else super()._obey(line, frames)


def answer(master, adapter):
    """Play the adapter until the computer leaves."""
    while True:
        try:
            answers, _ = adapter.feed(os.read(master, 1000))
            os.write(master, answers)
        except OSError:
            return


@pytest.mark.parametrize(
    ("command", "told"),
    [(b"S", "refuses 250000 bit/s (S5) - choose a bit rate"), (b"O", "refuses to open its CAN channel")],
)
def test_an_adapter_that_refuses_is_named(command, told):
    master, slave = pty.openpty()
    tty.setraw(slave)
    path = os.ttyname(slave)
    adapter = Refusing()
    adapter.what = command
    thread = threading.Thread(target=answer, args=(master, adapter))
    thread.start()
    try:
        assert told in told_on_open(f"slcan:{path}")
    finally:
        os.close(slave)  # the last hold on the far end: the reader gets an error
        thread.join()
        os.close(master)


@pytest.mark.parametrize(
    "error", [can.CanInitializationError("no such device"), OSError(19, "No such device")]
)
def test_a_python_can_channel_that_cannot_be_opened_is_named(monkeypatch, error):
    def fail(**options):
        raise error

    monkeypatch.setattr(can, "Bus", fail)
    told = told_on_open("pcan:can9")
    assert "pcan:can9 cannot be opened: " in told
    assert "check the channel's name" in told


def test_python_can_is_imported_only_when_needed():
    import subprocess
    import sys

    code = "import sys, bench.link, bench.link.slcan_link; sys.exit('can' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
