"""A simulated bench supply: text in, text out. Written from the standards, not from the bench's side.

Sources: IEEE 488.2 (thirteen common commands, status bits), SCPI-1999 (error queue: first in
first out, the last entry becomes -350 on overflow, cleared by *CLS). Its commands: SOURce:VOLTage,
SOURce:CURRent, OUTPut, MEASure, SYSTem:ERRor.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from bench.core.clock import Clock

QUEUE_LENGTH = 8
IDENTITY = "Saltmarsh,SIM1,0,1.0"  # an invented name
TEXTS = {
    -100: "Command error", -102: "Syntax error", -104: "Data type error", -108: "Parameter not allowed",
    -109: "Missing parameter", -113: "Undefined header", -200: "Execution error", -221: "Settings conflict",
    -222: "Data out of range", -224: "Illegal parameter value", -310: "System error", -350: "Queue overflow",
    -400: "Query error", -410: "Query INTERRUPTED",
}  # fmt: skip
ESR_OF = {1: 32, 2: 16, 3: 8, 4: 4}  # by the hundreds of the code
POWER_ON, OPERATION_COMPLETE = 128, 1
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(E[+-]?\d+)?")


class Fed(Protocol):
    """What the supply's terminals feed."""

    def feed(self, volts: float) -> None:
        """The voltage at the terminals from now on; 0 when the output is off."""
        ...

    def amps(self) -> float:
        """What flows now."""
        ...


class Resistance:
    """The simplest load."""

    def __init__(self, ohm: float = 10.0) -> None:
        self.ohm, self.volts = ohm, 0.0

    def feed(self, volts: float) -> None:
        self.volts = volts

    def amps(self) -> float:
        return self.volts / self.ohm


@dataclass(frozen=True, slots=True)
class SupplyFault:
    """What is wrong with a supply. `about`: in words; `shows`: text that whoever uses it must be told."""

    kind: str
    about: str
    shows: str
    mute_after: int | None = None  # lines it obeys before it falls silent
    deaf_after: int | None = None  # lines after which it obeys nothing, either
    volts_by: float = 0.0  # its set voltage is wrong by so much, and it says so
    sticky_output: bool = False
    tripped: bool = False  # its output goes off again by itself
    most_volts: float = 60.0
    garbage: bool = False  # numbers are unreadable
    endless_errors: bool = False
    quiet_refusal: bool = False  # ignores settings without an error


FAULTS = {
    f.kind: f
    for f in (
        SupplyFault("mute", "answers nothing", "did not answer", mute_after=0),
        SupplyFault("falls_mute", "stops answering after a while", "did not answer", mute_after=12),
        SupplyFault(
            "falls_dead", "stops answering and obeying after a while", "did not answer", mute_after=12,
            deaf_after=12,
        ),
        SupplyFault("low_volts", "sets half a volt less than it was told", "reads back", volts_by=-0.5),
        SupplyFault("stuck_output", "its output cannot be switched", "output reads back", sticky_output=True),
        SupplyFault("trips", "its output goes off by itself", "output reads back off", tripped=True),
        SupplyFault("small", "cannot give the voltage", "-222", most_volts=5.0),
        SupplyFault("garbage", "numbers are unreadable", "a number", garbage=True),
        SupplyFault("endless_errors", "its error queue never ends", "more than", endless_errors=True),
        SupplyFault("front_panel", "ignores settings without a word", "reads back", quiet_refusal=True),
    )
}  # fmt: skip
HEALTHY = SupplyFault("none", "nothing is wrong", "")


class SimMeter:
    """What a supply shows of a current: renewed every `refresh_ms`, in steps of `step_a`, wrong by
    `off_pct`."""

    def __init__(self, clock: Clock, refresh_ms: float, step_a: float, off_pct: float) -> None:
        self._clock, self._refresh_ns = clock, int(refresh_ms * 1e6)
        self._step_a, self._gain = step_a, 1.0 + off_pct / 100.0
        self._shown_a, self._since_ns = 0.0, -(1 << 62)

    def show(self, amps: float) -> float:
        """What it shows now, while `amps` flow."""
        now_ns = self._clock.now_ns()
        if now_ns - self._since_ns >= self._refresh_ns:
            self._since_ns = now_ns
            self._shown_a = round(amps * self._gain / self._step_a) * self._step_a
        return self._shown_a


class SimSupply:
    """One output. `feed` what was written to its port; it gives back what it answers."""

    def __init__(
        self, fed: Fed | None = None, fault: SupplyFault = HEALTHY, *, most_amps: float = 100.0,
        meter: SimMeter | None = None,
    ) -> None:  # fmt: skip
        self.fed: Fed = fed or Resistance()
        self.fault = fault
        self.most_amps = most_amps
        self._meter = meter
        self.lines = 0
        self._rest = b""
        self._errors: deque[int] = deque()
        self.esr, self.ese, self.sre = POWER_ON, 0, 0
        self.volts = self.limit_a = 0.0
        self.on = False
        self._reset()
        self._obeys = _commands(self)

    # -- the wire

    def feed(self, data: bytes) -> bytes:
        """Whole lines are obeyed in order. Never raises."""
        *lines, self._rest = re.split(rb"\r\n|\n|\r", self._rest + data)
        return b"".join(self._line(line.decode("ascii", "replace")) for line in lines if line.strip())

    def _line(self, line: str) -> bytes:
        fault = self.fault
        self.lines += 1
        if fault.deaf_after is not None and self.lines > fault.deaf_after:
            return b""
        answers = [a for part in line.split(";") if (a := self._obey(part.strip())) is not None]
        if fault.mute_after is not None and self.lines > fault.mute_after:
            return b""
        return (";".join(answers) + "\n").encode("ascii") if answers else b""

    def _obey(self, text: str) -> str | None:
        header, _, parameter = text.partition(" ")
        parameter = parameter.strip()
        for pattern, takes, act in self._obeys:
            if not pattern.fullmatch(header):
                continue
            if parameter and not takes:
                return self.report(-108)
            if takes and not parameter:
                return self.report(-109)
            return act(parameter)
        return self.report(-113 if re.fullmatch(r"[:*]?[A-Za-z][\w:?]*", header) else -102)

    # -- status

    def report(self, code: int) -> str | None:
        """An error goes into the queue and sets its bit; it is no answer."""
        self.esr |= ESR_OF.get(-code // 100, 8)
        if len(self._errors) < QUEUE_LENGTH:
            self._errors.append(code)
        else:
            self._errors[-1] = -350
            self.esr |= 8
        return None

    def next_error(self) -> str:
        if self.fault.endless_errors:
            return '-310,"System error"'
        code = self._errors.popleft() if self._errors else 0
        return f'{code},"{TEXTS.get(code, "No error")}"'

    def clear(self) -> None:
        self._errors.clear()
        self.esr = 0

    def status(self) -> int:
        """Status byte: bit 2 error queue, bit 5 event summary, bit 6 master summary."""
        byte = (4 if self._errors else 0) | (32 if self.esr & self.ese else 0)
        return byte | (64 if byte & self.sre & ~64 else 0)

    def take_esr(self) -> int:
        found, self.esr = self.esr, 0
        return found

    def _reset(self) -> None:
        self.volts, self.limit_a, self.on = 0.0, min(1.0, self.most_amps), False
        self._feed()

    def reset(self) -> None:
        self._reset()

    # -- settings

    def set_volts(self, text: str) -> None:
        value = self._number(text, self.fault.most_volts)
        if value is not None and not self.fault.quiet_refusal:
            self.volts = max(0.0, value + self.fault.volts_by)
            self._feed()

    def set_limit(self, text: str) -> None:
        value = self._number(text, self.most_amps)
        if value is not None and not self.fault.quiet_refusal:
            self.limit_a = value
            self._feed()

    def set_output(self, text: str) -> None:
        word = text.upper()
        if word not in ("0", "1", "ON", "OFF"):
            self.report(-224)
        elif not self.fault.sticky_output:
            self.on = word in ("1", "ON") and not self.fault.tripped
            self._feed()

    def _number(self, text: str, most: float) -> float | None:
        if not NUMBER.fullmatch(text.upper()):
            self.report(-104)
            return None
        value = float(text)
        if not 0.0 <= value <= most:
            self.report(-222)
            return None
        return value

    # -- terminals

    def _feed(self) -> None:
        self.fed.feed(self.volts if self.on else 0.0)

    def terminals(self) -> tuple[float, float]:
        """Volts and ampere at its terminals; beyond its limit the current stays and the voltage gives way."""
        if not self.on:
            return 0.0, 0.0
        self._feed()
        amps = self.fed.amps()
        if amps <= self.limit_a:
            return self.volts, amps
        volts = self.volts * self.limit_a / amps
        self.fed.feed(volts)
        return volts, self.limit_a

    def metered(self) -> float:
        """The current as its meter shows it."""
        amps = self.terminals()[1]
        return amps if self._meter is None else self._meter.show(amps)

    def shown(self, value: float) -> str:
        return "****" if self.fault.garbage else f"{value:.4f}"


def _commands(s: SimSupply) -> list[tuple[re.Pattern[str], bool, Callable[[str], str | None]]]:
    """(header, whether it takes a parameter, what it does): long and short forms, parts in brackets."""

    def header(text: str) -> re.Pattern[str]:
        out = re.escape(text).replace(r"\[", "(?:").replace(r"\]", ")?")
        out = re.sub(r"([A-Z]+)([a-z]+)", r"\1(?:\2)?", out)
        return re.compile(f":?{out}" if not text.startswith("*") else out, re.IGNORECASE)

    def ask(
        text: str, answer: Callable[[], str]
    ) -> tuple[re.Pattern[str], bool, Callable[[str], str | None]]:
        return header(text), False, lambda _: answer()

    def do(text: str, act: Callable[[], None]) -> tuple[re.Pattern[str], bool, Callable[[str], str | None]]:
        return header(text), False, lambda _: act()

    def put(
        text: str, act: Callable[[str], None]
    ) -> tuple[re.Pattern[str], bool, Callable[[str], str | None]]:
        return header(text), True, lambda p: act(p)

    def mask(name: str) -> Callable[[str], None]:
        def act(text: str) -> None:
            if not text.isdigit():
                s.report(-104)
            elif int(text) > 255:
                s.report(-222)
            else:
                setattr(s, name, int(text))

        return act

    def complete() -> None:
        s.esr |= OPERATION_COMPLETE

    volts, amps = (
        "[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]",
        "[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]",
    )
    return [
        do("*CLS", s.clear), put("*ESE", mask("ese")), ask("*ESE?", lambda: str(s.ese)),
        ask("*ESR?", lambda: str(s.take_esr())), ask("*IDN?", lambda: IDENTITY), do("*OPC", complete),
        ask("*OPC?", lambda: "1"), do("*RST", s.reset), put("*SRE", mask("sre")),
        ask("*SRE?", lambda: str(s.sre)),
        ask("*STB?", lambda: str(s.status())), ask("*TST?", lambda: "0"), do("*WAI", lambda: None),
        put(volts, s.set_volts), ask(f"{volts}?", lambda: s.shown(s.volts)), put(amps, s.set_limit),
        ask(f"{amps}?", lambda: s.shown(s.limit_a)), put("OUTPut[:STATe]", s.set_output),
        ask("OUTPut[:STATe]?", lambda: str(int(s.on))), ask("SYSTem:ERRor[:NEXT]?", s.next_error),
        ask("MEASure[:SCALar]:VOLTage[:DC]?", lambda: s.shown(s.terminals()[0])),
        ask("MEASure[:SCALar]:CURRent[:DC]?", lambda: s.shown(s.metered())),
    ]  # fmt: skip
