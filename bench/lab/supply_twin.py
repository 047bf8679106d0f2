"""A simulated supply with a virtual box at its terminals, in one thread and real time."""

from __future__ import annotations

from bench.core.clock import Clock
from bench.twin import Twin

from .supply_server import PtySupply, SocketSupply, SupplyServer
from .supply_sim import HEALTHY, SimSupply, SupplyFault

GONE_V = 6.0  # below this the virtual boxes are without supply (assumed; ISO 16750-2 code A begins at 6 V)


class TwinAtTerminals:
    """What the supply feeds: all boxes of a twin, and the current they truly draw. Thread: the twin's."""

    def __init__(self, twin: Twin, clock: Clock) -> None:
        self._twin, self._clock = twin, clock
        self._volts: float | None = None

    def feed(self, volts: float) -> None:
        """Switches the boxes where the voltage passes GONE_V."""
        if volts == self._volts:
            return
        self._volts = volts
        now_ns = self._clock.now_ns()
        if volts >= GONE_V:
            self._twin.set_volts(now_ns, volts)
        for box in self._twin.tables.boxes:
            self._twin.supply(now_ns, box.name, volts >= GONE_V)

    def amps(self) -> float:
        """The true total current, now."""
        return self._twin.total_amps()


def supply_of_twin(
    twin: Twin, clock: Clock, *, fault: SupplyFault = HEALTHY, on_socket: bool = False
) -> SupplyServer:
    """A served supply, off at first, with the twin behind it; turn it in the thread that turns the twin."""
    sim = SimSupply(TwinAtTerminals(twin, clock), fault)
    return SocketSupply(sim) if on_socket else PtySupply(sim)
