"""A simulated supply, served in a thread of its own, on a pseudo-terminal and on a loopback socket."""

import threading
from contextlib import contextmanager

from bench.core.clock import SystemClock
from bench.lab.supply_server import PtySupply
from bench.rig import load_dialect, open_supply

ANSWER_S = 0.3


@contextmanager
def served(server):
    stop = threading.Event()

    def turn():
        while not stop.is_set():
            server.turn(0.01)

    thread = threading.Thread(target=turn)
    thread.start()
    try:
        yield server.path
    finally:
        stop.set()
        thread.join()
        server.close()


@contextmanager
def supply_of(sim, serve=PtySupply, dialect="scpi", answer_s=ANSWER_S):
    """(the simulated supply, the bench's supply at its port)."""
    with served(serve(sim)) as path:
        supply = open_supply(path, load_dialect(dialect), SystemClock(), answer_s=answer_s)
        try:
            yield supply
        finally:
            supply.close()
