"""A bench supply over serial: every setting is read back, and its error queue looked at, before it counts.

Nothing the supply did not confirm is taken as done; a supply that does not answer is said to be silent, and a
late answer is never taken for that of a later question.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from bench.core.clock import Clock
from bench.core.errors import BenchError, Complaint

from .dialect import Dialect
from .scpi import ErrorAnswer, Identity, parse_error, parse_identity, parse_number
from .wire import SerialWire, Wire

MS = 1_000_000
ANSWER_S = 1.0
QUIET_MS = 100.0  # after an answer that did not come, this long of silence before the next question
MOST_ERRORS = 64  # an error queue that never ends is no queue
VOLTS_TOL, AMPS_TOL = 0.02, 0.02  # a setting may be rounded to the supply's own steps
OFF_TRIES = 3


@dataclass(frozen=True, slots=True)
class Reading:
    """What the supply measured at its terminals, some time between `from_ns` and `t_ns`."""

    from_ns: int
    t_ns: int
    volts: float
    amps: float


class Supply:
    """An opened supply. Thread: one at a time. Every method but `switch_off` raises BenchError when the
    supply does not answer, answers what cannot be read, reports an error, or reads back something else.

    **Blocks:** up to `answer_s` per question.
    """

    def __init__(
        self, wire: Wire, dialect: Dialect, clock: Clock, *, port: str = "", answer_s: float = ANSWER_S
    ) -> None:
        self._wire, self._words, self._clock = wire, dialect, clock
        self._port = port or "?"
        self._answer_ns = int(answer_s * 1e9)
        self._who = ""
        self._unsure = False  # an answer may still be on its way
        self._free_ns = 0

    def identify(self) -> Identity:
        """Who it is. The first thing to ask."""
        answer = self._ask("identity")
        found = parse_identity(answer)
        if found is None:
            raise self._trouble(
                f"answered {answer!r} to {self._words.ask['identity']}", "four fields between commas",
                "check baud rate and dialect, and that this port is the supply's",
            )  # fmt: skip
        self._who = answer
        return found

    def clear_errors(self) -> tuple[ErrorAnswer, ...]:
        """Empties its error queue; what was in it."""
        found = self.errors()
        self._write(self._words.write["clear"])
        return found

    def errors(self) -> tuple[ErrorAnswer, ...]:
        """Everything in its error queue, oldest first, which empties it."""
        found: list[ErrorAnswer] = []
        while len(found) < MOST_ERRORS:
            answer = self._ask("error")
            error = parse_error(answer)
            if error is None:
                raise self._trouble(
                    f"answered {answer!r} to {self._words.ask['error']}", 'a code and a text: 0,"No error"',
                    "check the dialect",
                )  # fmt: skip
            if error.code == 0:
                return tuple(found)
            found.append(error)
        raise self._trouble(
            f"reports more than {MOST_ERRORS} errors", "an error queue that ends", "restart it"
        )

    def set_volts(self, volts: float) -> None:
        """Its voltage, in V."""
        self._set("volts", volts, "V", VOLTS_TOL)

    def set_limit(self, amps: float) -> None:
        """Its current limit, in A."""
        self._set("limit_a", amps, "A", AMPS_TOL)

    def output(self, on: bool) -> None:
        """Switches its output."""
        self._command("output", int(on))
        if self.is_on() != on:
            states = ("off", "on")
            raise self._trouble(
                f"output reads back {states[not on]} after being switched {states[on]}",
                f"output {states[on]}", "look at its front panel: a lock, or a protection that tripped",
            )  # fmt: skip

    def is_on(self) -> bool:
        """Whether its output is on, as it says."""
        answer = self._ask("output").strip().upper()
        if answer in self._words.on:
            return True
        if answer in self._words.off:
            return False
        expected = f"one of {', '.join(sorted(self._words.on | self._words.off))}"
        raise self._trouble(
            f"answered {answer!r} to {self._words.ask['output']}", expected, "check the dialect"
        )

    def measure(self) -> Reading:
        """Volts and ampere now."""
        from_ns = self._clock.now_ns()
        volts, amps = self._number("measured_v"), self._number("measured_a")
        return Reading(from_ns, self._clock.now_ns(), volts, amps)

    def switch_off(self) -> str:
        """Output off, tried three times, blind if it must be. What is in doubt, empty when it says off.

        Never raises.
        """
        why = ""
        for _ in range(OFF_TRIES):
            try:
                self._write(self._words.write["output"].format(value=0))
                if not self.is_on():
                    return ""
                why = f"supply {self._port} says its output is still on"
            except BenchError as e:
                why = e.complaints[0].text
        return f"{why}; its output was told to go off {OFF_TRIES} times: switch it off by hand"

    def close(self) -> None:
        """Gives the port back; does not switch anything."""
        self._wire.close()

    # -- one setting, one question

    def _set(self, what: str, value: float, unit: str, tolerance: float) -> None:
        self._command(what, value)
        got = self._number(what)
        if abs(got - value) > tolerance:
            raise self._trouble(
                f"reads back {got:g} {unit} after {self._words.write[what].format(value=value)}",
                f"{value:g} {unit} within {tolerance:g} {unit}",
                "look at its limits and at whether its front panel is locked",
            )  # fmt: skip

    def _command(self, what: str, value: float) -> None:
        text = self._words.write[what].format(value=value)
        self._write(text)
        found = self.errors()
        if found:
            raise self._trouble(
                f"reports {'; '.join(e.words() for e in found)} after {text}", "no error",
                "check its range and the dialect",
            )  # fmt: skip

    def _number(self, what: str) -> float:
        answer = self._ask(what)
        value = parse_number(answer)
        if value is None:
            raise self._trouble(
                f"answered {answer!r} to {self._words.ask[what]}", "a number", "check the dialect"
            )
        return value

    def _ask(self, what: str) -> str:
        if self._unsure:
            self._find_again()
        return self._question(self._words.ask[what])

    def _question(self, text: str) -> str:
        self._write(text)
        answer = self._wire.read_line(self._clock.now_ns() + self._answer_ns)
        if answer is None:
            self._unsure = True
            raise self._trouble(
                f"did not answer {text} within {self._answer_ns / 1e9:g} s", "an answer",
                "check that it is switched on, its cable, baud rate and remote control",
            )  # fmt: skip
        return answer

    def _find_again(self) -> None:
        """After silence: only once it says who it is do its answers count again."""
        self._wire.drain(QUIET_MS)
        answer = self._question(self._words.ask["identity"])
        if self._who and answer != self._who:
            raise self._trouble(f"answered {answer!r} after a silence", repr(self._who), "restart it")
        self._unsure = False

    def _write(self, text: str) -> None:
        self._clock.wait_until(self._free_ns)
        self._wire.write(text + self._words.end)
        self._free_ns = self._clock.now_ns() + int(self._words.pause_ms * MS)

    def _trouble(self, text: str, expected: str, advice: str) -> BenchError:
        return BenchError(Complaint(f"supply {self._port} {text}", expected=expected, advice=advice))


def open_supply(
    port: str, dialect: Dialect, clock: Clock, *, answer_s: float = ANSWER_S,
    opener: Callable[[str, int, Clock], Wire] = SerialWire,
) -> Supply:  # fmt: skip
    """A supply that has said who it is. Raises: BenchError when the port or the supply does not."""
    wire = opener(port, dialect.baud, clock)
    supply = Supply(wire, dialect, clock, port=port, answer_s=answer_s)
    try:
        wire.drain(20.0)
        supply.identify()
    except BenchError:
        supply.close()
        raise
    return supply
