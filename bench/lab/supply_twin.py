"""A simulated supply with a virtual box at its terminals, in one thread and real time."""

from __future__ import annotations

import random

from bench.core.clock import Clock
from bench.twin import Twin

from .supply_server import PtySupply, SocketSupply, SupplyServer
from .supply_sim import HEALTHY, SimSupply, SupplyFault

GONE_V = 6.0  # below this the virtual boxes are without supply (assumed; ISO 16750-2 code A begins at 6 V)


class TwinAtTerminals:
    """What the supply feeds: all boxes of a twin, and the current they truly draw. Thread: the twin's.

    `pulsed`: chance by which an instant meets a dimmed load on or off; None: its mean current flows.
    """

    def __init__(self, twin: Twin, clock: Clock, pulsed: random.Random | None = None) -> None:
        self._twin, self._clock, self._pulsed = twin, clock, pulsed
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
        if self._pulsed is None:
            return self._twin.total_amps()
        outputs = self._twin.truth(self._clock.now_ns()).values()
        return sum(self._at_an_instant(o.percent, o.amps) for o in outputs)

    def _at_an_instant(self, percent: float, amps: float) -> float:
        if self._pulsed is None or not 0.0 < percent < 100.0:
            return amps
        return amps * 100.0 / percent if self._pulsed.random() < percent / 100.0 else 0.0


def supply_of_twin(
    twin: Twin, clock: Clock, *, fault: SupplyFault = HEALTHY, on_socket: bool = False
) -> SupplyServer:
    """A served supply, off at first, with the twin behind it; turn it in the thread that turns the twin."""
    sim = SimSupply(TwinAtTerminals(twin, clock), fault)
    return SocketSupply(sim) if on_socket else PtySupply(sim)
