"""The far end of a SocketCAN link: an interface of its own, candump of can-utils as the witness, and the
kernel's queues (tc) to refuse and to hold frames. Needs vcan and the right to make interfaces."""

import contextlib
import itertools
import os
import pty
import select
import socket
import struct
import subprocess
import threading
import tty

from bench.core.clock import SystemClock
from bench.link.slcan_codec import Decoder, Received, encode_frame
from bench.link.socketcan_link import SocketCanLink
from bench.testing.far_end import BUS_OFF, REFUSE, SILENT_ADAPTER, UNPLUG, CannotPlayError

MS = 1_000_000


def ip(*words):
    subprocess.run(["ip", *words], check=True, capture_output=True)


def tc(*words):
    subprocess.run(["tc", "qdisc", *words], check=True, capture_output=True)


def has_vcan():
    """Whether vcan0 is there: inside tests/uml it is."""
    return any(name == "vcan0" for _, name in socket.if_nameindex())


class Candump:
    """can-utils' candump on an interface, once it is listening."""

    def __init__(self, interface):
        self._process = subprocess.Popen(
            ["candump", "-L", "-H", interface], stdout=subprocess.PIPE, text=True
        )
        self.lines = []
        self._thread = threading.Thread(target=self._read)
        self._thread.start()

    def _read(self):
        for line in self._process.stdout:
            self.lines.append(line.split()[2])

    def close(self):
        self._process.terminate()
        self._process.wait()
        self._thread.join()
        self._process.stdout.close()


def frame_of(text):
    """Identifier, data and size of one of candump's words."""
    can_id, _, data = text.partition("#")
    return int(can_id, 16), bytes.fromhex(data), len(can_id) == 8


class SocketCanEnd:
    abilities = frozenset({REFUSE, UNPLUG, SILENT_ADAPTER, BUS_OFF})
    numbers = itertools.count()

    def __init__(self):
        self.clock = SystemClock()
        self.name = f"kit{next(self.numbers)}"
        ip("link", "add", "dev", self.name, "type", "vcan")
        ip("link", "set", self.name, "up")
        self.link = SocketCanLink(self.name, self.clock)
        self.other = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
        self.other.bind((self.name,))
        self.witness = Candump(self.name)
        self.injected = 0
        self._await_witness()

    def _await_witness(self):
        """candump listens once it shows a frame of ours."""
        until_ns = self.clock.now_ns() + 5_000 * MS
        while not self.witness.lines:
            assert self.clock.now_ns() < until_ns, "candump shows nothing"
            self.other.send(struct.pack("=IB3x8s", 0x7FF, 0, b""))
            self.clock.wait_until(self.clock.now_ns() + 20 * MS)
        self.clock.wait_until(self.clock.now_ns() + 20 * MS)
        self.witness.lines.clear()

    def inject(self, frames):
        for can_id, data, extended in frames:
            self.other.send(struct.pack("=IB3x8s", can_id | extended << 31, len(data), data))
            self.injected += 1

    def sent(self):
        """What candump saw and we did not inject; it needs a moment to write."""
        self.clock.wait_until(self.clock.now_ns() + 50 * MS)
        return [frame_of(word) for word in self.witness.lines][self.injected :]

    def refuse(self, refusing):
        if refusing:
            tc("replace", "dev", self.name, "root", "pfifo", "limit", "0")
        else:
            tc("del", "dev", self.name, "root")

    def silence(self):
        tc("replace", "dev", self.name, "root", "netem", "loss", "100%")

    def bus_off(self):
        self.other.send(struct.pack("=IB3x8s", 0x20000040, 8, bytes(8)))

    def unplug(self):
        ip("link", "del", self.name)

    def garbage(self, data):
        raise CannotPlayError

    def close(self):
        with contextlib.suppress(subprocess.CalledProcessError):
            ip("link", "del", self.name)
        self.witness.close()
        self.other.close()


class SlcandEnd:
    """slcand of can-utils at this side of a pseudo-terminal, the kit as the adapter at the other; the link is
    a SocketCAN one on the interface that slcand makes."""

    abilities = frozenset({UNPLUG})
    numbers = itertools.count()

    def __init__(self):
        self.clock = SystemClock()
        self.name = f"slk{next(self.numbers)}"
        self.master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self.master, False)
        words = ["slcand", "-F", "-o", "-s5", os.ttyname(self._slave), self.name]
        self._process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        self._heard, self._stop = bytearray(), threading.Event()
        self._to_say = bytearray()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()
        self._await(lambda: b"O\r" in self._heard, "slcand does not open the channel")
        self._await(
            lambda: any(n == self.name for _, n in socket.if_nameindex()), "slcand makes no interface"
        )
        self._heard.clear()
        ip("link", "set", self.name, "up")
        self.link = SocketCanLink(self.name, self.clock)

    def _await(self, there, otherwise):
        until_ns = self.clock.now_ns() + 5_000 * MS
        while not there():
            assert self.clock.now_ns() < until_ns, otherwise
            self.clock.wait_until(self.clock.now_ns() + 10 * MS)

    def _serve(self):
        while not self._stop.is_set():
            writers = [self.master] if self._to_say else []
            ready, room, _ = select.select([self.master], writers, [], 0.02)
            with contextlib.suppress(OSError):
                if ready:
                    self._heard += os.read(self.master, 65_536)
                if room:
                    del self._to_say[: os.write(self.master, self._to_say[:4096])]

    def inject(self, frames):
        for can_id, data, extended in frames:
            self._to_say += encode_frame(can_id, data, extended=extended)

    def sent(self):
        self.clock.wait_until(self.clock.now_ns() + 50 * MS)
        items = Decoder().feed(bytes(self._heard))
        return [(i.can_id, i.data, i.extended) for i in items if isinstance(i, Received)]

    def unplug(self):
        self.close()

    def close(self):
        if self._stop.is_set():
            return
        self._stop.set()
        self._thread.join()
        self._process.terminate()
        self._process.wait()
        os.close(self.master)
        os.close(self._slave)
