"""The electrical side of a boat: supply, wires, loads with inrush, sensors, electronic and blade fuses.

Figures without another source are common practice, no source: cold filament 10 to 15 times the hot
current (12 here), motor start 4 to 8 times (5 here), LED and electronic loads of constant power.
All inrush is over 200 ms after switching on.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from bench.twin.quirks import Quirks
from bench.twin.tables import ChannelRow, Tables

SOURCE_OHM = 0.008  # battery or bench supply with its leads
INRUSH_ENDS_NS = 200_000_000
_INRUSH = {  # load -> (peak over steady current, less one; decay in ns)
    "lamp": (11.0, 18e6),
    "motor": (4.0, 35e6),
    "electronic": (2.0, 5e6),
    "led": (1.0, 2e6),
}
TRIP_HEAT_S = 0.1
POOL = 4093  # a prime, so that cyclic frames meet other values each time


def steady_amps(row: ChannelRow, nominal_v: float, load_v: float, percent: float) -> float:
    """Mean current of a warm load at `load_v` and a PWM level; `row.amps` at nominal voltage and 100 %.

    A filament: current as voltage to the power 0.55 (common practice), at the mean square of the PWM.
    """
    duty = percent / 100.0
    if duty <= 0.0 or load_v <= 0.0:
        return 0.0
    ratio = load_v / nominal_v
    if row.load in ("led", "electronic"):
        return row.amps * duty / max(ratio, 0.5)
    if row.load == "lamp":
        return float(row.amps * ratio**0.55 * duty**0.775)
    return row.amps * ratio * duty


def inrush(row: ChannelRow, nominal_v: float, series_ohm: float) -> tuple[float, float]:
    """Peak over steady current less one, and decay in ns. A filament's peak is limited by its wire."""
    peak, tau = _INRUSH.get(row.load, (0.0, 1.0))
    if row.load == "lamp" and row.amps > 0.0:
        hot = nominal_v / row.amps
        peak = (hot + series_ohm) / (hot / (peak + 1.0) + series_ohm) - 1.0
    return peak, tau


def trip_after_s(amps: float, at_a: float) -> float:
    """Electronic fuse, inverse time: heat (I/at)^2 - 1 gathers to a limit; inf below its rating."""
    excess = (amps / at_a) ** 2 - 1.0
    return TRIP_HEAT_S / excess if excess > 0.0 else math.inf


def blade_opens_after_s(amps: float, rated_a: float) -> float:
    """Blade fuse: inside the bands of facts FUS-01..04 (ISO 8820-3 as transcribed); inf up to 1.1 x."""
    excess = (amps / rated_a) ** 2 - 1.21 if rated_a > 0.0 else 0.0
    return 5.0 / excess**1.5 if excess > 1e-9 else math.inf


@dataclass(slots=True)
class Strand:
    """One channel's way from driver to load."""

    row: ChannelRow
    nominal_v: float
    series_ohm: float
    percent: float = 0.0  # what the driver does
    hand: bool = False
    overload: bool = False
    blown: bool = False
    since_ns: int = -INRUSH_ENDS_NS
    peak: float = 0.0
    tau: float = 1.0
    steady: float = 0.0
    damage: float = 0.0  # of the fuse, 1 opens
    rate: float = 0.0  # damage per ns since `watched_ns`
    watched_ns: int = 0
    opens_at: int = 0


class Electrics:
    """Currents of all channels; recomputed when something electrical has changed.

    `counts[c]`: what the current sensor would show in steps, without noise. `due`: next instant at
    which a fuse opens, 0 for none.
    """

    def __init__(self, tables: Tables, quirks: Quirks, rng: random.Random) -> None:
        self.quirks = quirks
        top = max(b.first + b.channels for b in tables.boxes)
        self.volts_open = tables.boxes[0].volts
        self.strands: list[Strand] = []
        self.gain, self.offset, self.step = [0.0] * top, [0.0] * top, [0.05] * top
        self.by_link = [False] * top
        for c in range(top):
            row = tables.channel.get(quirks.crossed.get(c, c)) or ChannelRow(max(c, 1))
            ohm = row.wire_ohm + quirks.series_ohm.get(c, 0.0)
            self.strands.append(Strand(row, self.volts_open, ohm))
        for box in tables.boxes:
            for c in box.numbers:
                sense = box.sense
                gain = rng.uniform(-sense.gain_pct, sense.gain_pct) + quirks.gain_pct.get(c, 0.0)
                offset = rng.uniform(-sense.offset_a, sense.offset_a) + quirks.offset_a.get(c, 0.0)
                self.gain[c], self.offset[c], self.step[c] = 1.0 + gain / 100.0, offset, sense.step_a
                self.by_link[c] = not box.hand_sensed
        self.noise = [max(-1.0, min(1.0, rng.gauss(0.0, 0.4))) for _ in range(POOL)]
        self._senses = [quirks.sense_crossed.get(c, c) for c in range(top)]
        self.counts = [0.0] * top
        self.total = 0.0
        self.due = 0
        self._boxes = {b.name: b.numbers for b in tables.boxes}
        self._moving: set[int] = set()
        self._live: set[int] = set()  # channels that carry current, or did until now
        self._counted = False
        self._now_ns = 0
        self._dirty = True
        self.watched = {c for c in range(1, top) if c in quirks.shorted}

    # ---- what happens

    def drive(self, c: int, percent: float, t_ns: int) -> None:
        """The driver of channel c does `percent` from now on."""
        strand = self.strands[c]
        self._now_ns = t_ns
        if c in self.quirks.weak:
            percent = 0.0
        if percent > 0.0 and strand.percent <= 0.0 and not strand.hand:
            self._start(c, t_ns)
        strand.percent = percent
        self._live.add(c)
        self._dirty = True

    def set_hand(self, c: int, on: bool, t_ns: int) -> None:
        """The circuit is fed by hand, past the driver."""
        strand = self.strands[c]
        if on and not strand.hand and strand.percent <= 0.0:
            self._start(c, t_ns)
        strand.hand = on
        self._live.add(c)
        self._dirty = True

    def set_overload(self, c: int, on: bool) -> None:
        """The load draws three times what its fuse takes."""
        self.strands[c].overload = on
        self.watched.add(c)
        self._dirty = True

    def set_volts(self, volts: float) -> None:
        """Open-circuit voltage of the supply."""
        self.volts_open = volts
        self._dirty = True

    def _start(self, c: int, t_ns: int) -> None:
        strand = self.strands[c]
        strand.since_ns = t_ns
        strand.peak, strand.tau = inrush(strand.row, strand.nominal_v, strand.series_ohm + SOURCE_OHM)
        self._moving.add(c)

    # ---- what flows

    @property
    def moving(self) -> bool:
        """Must `refresh` be called before reading?"""
        return self._dirty or bool(self._moving)

    def refresh(self, t_ns: int) -> None:
        """Bring currents, sensor counts and fuses to `t_ns`."""
        self._now_ns = t_ns
        if self._dirty:
            self._dirty = False
            self._solve()
            self._watch_fuses(t_ns)
            live = self._live
            some = self._counted and not self.quirks.sense_crossed
            for c in live | self._moving if some else range(1, len(self.strands)):
                self._count(c, t_ns)
            self._counted = True
            strands = self.strands
            self._live = {c for c in live if strands[c].percent > 0.0 or strands[c].hand}
        elif self.quirks.sense_crossed:
            for c in range(1, len(self.strands)):
                self._count(c, t_ns)
        else:
            for c in list(self._moving):
                self._count(c, t_ns)

    def _solve(self) -> None:
        live = [self.strands[c] for c in sorted(self._live)]
        real = [self.strands[c] for c in sorted(self._live) if not self._pretends(c)]
        for _ in range(4):
            volts = self.volts
            for strand in live:
                percent = 100.0 if strand.hand else strand.percent
                load_v = volts - strand.steady * strand.series_ohm * 100.0 / (percent or 100.0)
                strand.steady = steady_amps(strand.row, strand.nominal_v, load_v, percent)
            if self.watched or self.quirks.open_load:
                self._interrupt()
            before, self.total = self.total, sum([s.steady for s in real])
            if abs(self.total - before) < 0.005:
                break

    def _pretends(self, c: int) -> bool:
        """Whether a channel's driver only says that it delivers."""
        return c in self.quirks.pretends and not self.strands[c].hand

    def _interrupt(self) -> None:
        for c in self.quirks.open_load:
            self.strands[c].steady = 0.0
        for c in self.watched:
            strand = self.strands[c]
            on = strand.hand or strand.percent > 0.0
            if strand.blown:
                strand.steady = 0.0
            elif on and (strand.overload or c in self.quirks.shorted):
                strand.steady = overload_amps(strand.row)

    def _watch_fuses(self, t_ns: int) -> None:
        self.due = 0
        for c in self.watched:
            strand = self.strands[c]
            strand.damage += strand.rate * (t_ns - strand.watched_ns)
            after_s = math.inf if strand.blown else self._opens_after_s(c)
            strand.watched_ns, strand.opens_at, strand.rate = t_ns, 0, 0.0
            if after_s == math.inf:
                strand.damage = 0.0
                continue
            strand.rate = 1.0 / (after_s * 1e9)
            strand.opens_at = t_ns + int(max(0.0, 1.0 - strand.damage) / strand.rate) + 1
            self.due = min(self.due or strand.opens_at, strand.opens_at)

    def _opens_after_s(self, c: int) -> float:
        strand = self.strands[c]
        electronic = strand.row.trip is not None and not strand.hand and c not in self.quirks.trip_deaf
        if electronic and strand.row.trip:
            return trip_after_s(strand.steady, strand.row.trip.at_a)
        return blade_opens_after_s(strand.steady, strand.row.fuse_a)

    def open_fuses(self, t_ns: int) -> list[int]:
        """Blows blade fuses that are due; gives the channels whose electronic fuse opens now."""
        tripped = []
        for c in sorted(self.watched):
            strand = self.strands[c]
            if not 0 < strand.opens_at <= t_ns:
                continue
            strand.opens_at, strand.rate, strand.damage = 0, 0.0, 0.0
            if strand.row.trip is not None and not strand.hand and c not in self.quirks.trip_deaf:
                tripped.append(c)
            else:
                strand.blown = True
            self._dirty = True
        self.refresh(t_ns)
        return tripped

    def amps(self, c: int, t_ns: int) -> float:
        """True current of channel c's load."""
        return 0.0 if self._pretends(c) else self._claimed(c, t_ns)

    def _claimed(self, c: int, t_ns: int) -> float:
        """What flows where the output does what it says."""
        strand = self.strands[c]
        since = t_ns - strand.since_ns
        if since >= INRUSH_ENDS_NS or strand.peak <= 0.0:
            return strand.steady
        return strand.steady * (1.0 + strand.peak * math.exp(-since / strand.tau))

    def percent(self, c: int) -> float:
        """True output of channel c."""
        strand = self.strands[c]
        if strand.blown or self._pretends(c):
            return 0.0
        return 100.0 if strand.hand else strand.percent

    def _count(self, c: int, t_ns: int) -> None:
        source = self._senses[c]
        strand = self.strands[source]
        amps = strand.steady
        since = t_ns - strand.since_ns
        if since < INRUSH_ENDS_NS:
            amps = self._claimed(source, t_ns)
        else:
            self._moving.discard(source)
        if strand.hand and self.by_link[source]:
            amps = 0.0
        self.counts[c] = (amps * self.gain[c] + self.offset[c]) / self.step[c]

    @property
    def volts(self) -> float:
        """Voltage at the boxes."""
        return self.volts_open - self.total * SOURCE_OHM

    def box_total(self, box: str) -> float:
        """What a box's own sensors add up to, in ampere. Call `refresh` before."""
        return sum(self.counts[c] * self.step[c] for c in self._boxes[box])

    def looks_open(self, c: int, below_a: float) -> bool:
        """Would a box see an open load while its output is on? Judged in the on-time of the PWM."""
        strand, quirks = self.strands[c], self.quirks
        if strand.percent <= 0.0 or strand.hand or below_a <= 0.0:
            return False
        if strand.row.amps > 2.0 * below_a and not (
            c in self.watched or c in quirks.open_load or c in quirks.series_ohm
        ):
            return False
        if self._dirty:
            self.refresh(self._now_ns)
        return strand.steady * 100.0 / strand.percent < below_a


def overload_amps(row: ChannelRow) -> float:
    """Current of an overload: three times what trips or blows the fuse."""
    return 3.0 * (row.trip.at_a if row.trip else row.fuse_a or row.amps)
