"""Serves a simulated supply on a pseudo-terminal or, where there are none, on a loopback socket."""

from __future__ import annotations

import os
import select
import socket
from typing import Protocol

from bench.core.errors import BenchError, Complaint

from .supply_sim import SimSupply


class SupplyServer(Protocol):
    """`path` is what a supply's user opens."""

    path: str

    def turn(self, timeout_s: float) -> None:
        """Obey what was written. Blocks: up to `timeout_s`, less when something is there."""
        ...

    def close(self) -> None:
        """Safe to call twice."""
        ...


class PtySupply:
    """Raises: BenchError when no pseudo-terminal can be had."""

    def __init__(self, supply: SimSupply) -> None:
        self.supply = supply
        try:
            import pty
            import tty

            self._master, self._slave = pty.openpty()
        except (ImportError, OSError) as e:
            advice = "serve it on a loopback socket"
            raise BenchError(Complaint(f"no pseudo-terminal: {e}", advice=advice)) from e
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)
        self._closed = False

    def turn(self, timeout_s: float) -> None:
        if not select.select([self._master], [], [], timeout_s)[0]:
            return
        try:
            os.write(self._master, self.supply.feed(os.read(self._master, 4096)))
        except OSError:  # nobody there, or nobody who reads
            return

    def close(self) -> None:
        if not self._closed:
            self._closed = True
            os.close(self._master)
            os.close(self._slave)


class SocketSupply:
    """One user at a time on 127.0.0.1; the next may come when the last has left."""

    def __init__(self, supply: SimSupply) -> None:
        self.supply = supply
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._user: socket.socket | None = None
        self.path = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"

    def turn(self, timeout_s: float) -> None:
        here = self._user or self._listener
        if not select.select([here], [], [], timeout_s)[0]:
            return
        if self._user is None:
            self._user, _ = self._listener.accept()
            return
        try:
            data = self._user.recv(4096)
            self._user.sendall(self.supply.feed(data))
        except OSError:
            data = b""
        if not data:
            self._user.close()
            self._user = None

    def close(self) -> None:
        if self._user is not None:
            self._user.close()
            self._user = None
        self._listener.close()
