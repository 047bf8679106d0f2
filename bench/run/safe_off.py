"""Switching everything off by keys that toggle: read first, press once, read back. No I/O.

The machine is told the time and what is reported, and says what to send. It works from plain data
(`safe_off.json`), so that the guard process can run it without spec, definitions or oracle.

Rules: keys known to be held are released and sensors put to rest first. Only an output *reported*
on is pressed for, one at a time, by the words prepared for it (a control and the most presses it may
take). A word is given up after two presses without any effect or after its presses are used up.
At the end it may watch on for a while: what a box or an adapter that is late brings on again is tried anew.
What then still reports on, or was never heard of, is named in the result. No key is pressed for a circuit
that may be by hand: it would not help, and a hand may be in the box. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from .off_data import CounterBook, OffData, Template

MS = 1_000_000
LISTEN_MS = 1500.0  # longest wait for the first report of every circuit
WATCH_MS = 700.0  # all must stay off so long: a box, or an adapter, that is late may undo what was done
ROUNDS = 2  # a circuit that came on again is tried this often


@dataclass(frozen=True, slots=True)
class Out:
    """One frame to send now; `about` says why, for people and logs."""

    can_id: int
    data: bytes
    extended: bool
    about: str


@dataclass(frozen=True, slots=True)
class OffResult:
    """What the machine reached. `stays_on`: reported on at the end; `not_heard`: no report to go by;
    `comes_on_later`: what the silence of the bench will switch on; `log`: what was done, in words."""

    stays_on: tuple[str, ...]
    not_heard: tuple[str, ...]
    pressed: int
    comes_on_later: tuple[str, ...] = ()
    log: tuple[str, ...] = ()

    @property
    def all_off(self) -> bool:
        """Every circuit was heard and reports off."""
        return not (self.stays_on or self.not_heard)

    def text(self) -> str:
        """One or more sentences that name every circuit in doubt."""
        parts = []
        if self.stays_on:
            parts.append(f"still on: {', '.join(self.stays_on)}")
        if self.not_heard:
            parts.append(f"not reported, so unknown: {', '.join(self.not_heard)}")
        parts += self.comes_on_later
        return "; ".join(parts) if parts else "every circuit reports off"


@dataclass
class _Attempt:
    """One word being tried for one circuit."""

    circuit: str
    control: str
    most: int
    presses: int = 0
    without_effect: int = 0
    before: Mapping[str, bool | None] = field(default_factory=dict)


class SafeOff:
    """The machine; `see` what arrives, call `advance` at `next_due_ns` or earlier, until `finished`.

    `book`: which counters were used last and which keys are held (it has been shown what was sent).
    `targets`: the circuits to switch off; all when None. `watch_ms`: how long all must have stayed as it is
    at the end. Instants in nanoseconds of one clock.
    """

    def __init__(
        self, data: OffData, book: CounterBook, t_ns: int, *, targets: frozenset[str] | None = None,
        watch_ms: float = 0.0,
    ) -> None:  # fmt: skip
        self._data = data
        self._book = book
        self._targets = frozenset(data.circuits) if targets is None else targets
        self._watch_ms = watch_ms
        self._on: dict[str, bool | None] = {}
        self._seen_ns: dict[str, int] = {}
        self._log: list[str] = []
        self._start_ns = self._acted_ns = self._now_ns = t_ns
        self._pressed = 0
        self._given_up: set[tuple[str, str]] = set()
        self._rounds: dict[str, int] = {}
        self._attempt: _Attempt | None = None
        self._release_ns: int | None = None
        self._cyclic_ns = [t_ns for _ in data.cyclic]
        self._phase: Callable[[], list[Out]] = self._release_held
        self._due_ns = t_ns
        self.finished = False

    # -- told from outside

    def see(self, t_ns: int, can_id: int, extended: bool, payload: bytes) -> None:
        """A frame from the bus."""
        for circuit, on in self._data.read(can_id, extended, payload):
            self._on[circuit] = on
            self._seen_ns[circuit] = t_ns

    def advance(self, t_ns: int) -> list[Out]:
        """What to send at `t_ns`; call again at `next_due_ns`, or when something was seen."""
        self._now_ns = t_ns
        out = self._cyclic()
        if not self.finished:
            out += self._phase()
        return out

    @property
    def next_due_ns(self) -> int:
        """When `advance` has something to do even if nothing is seen until then."""
        return min([self._due_ns, *self._cyclic_ns])

    def result(self) -> OffResult:
        """What stays on by present knowledge."""
        names = [c for c in self._data.circuits if c in self._targets]
        return OffResult(
            stays_on=tuple(c for c in names if self._on.get(c)),
            not_heard=tuple(c for c in names if self._on.get(c) is None),
            pressed=self._pressed,
            comes_on_later=self._data.comes_on_later,
            log=tuple(self._log),
        )

    # -- phases

    def _cyclic(self) -> list[Out]:
        out = []
        for i, template in enumerate(self._data.cyclic):
            if self._cyclic_ns[i] <= self._now_ns:
                out.append(self._frame(template, f"{template.node} is alive"))
                late = (self._now_ns - self._cyclic_ns[i]) // (template.period_ms * MS) + 1
                self._cyclic_ns[i] += int(late * template.period_ms) * MS
        return out

    def _release_held(self) -> list[Out]:
        out = []
        for control in sorted(self._book.held):
            self._log.append(f"released {control}")
            out.append(self._frame(self._data.release[control], f"release {control}"))
        self._book.held.clear()
        self._go(self._listen, 0.0)
        return out

    def _listen(self) -> list[Out]:
        """Wait until every circuit was reported a respond time after the releases."""
        if not self._fresh() and self._now_ns < self._start_ns + LISTEN_MS * MS:
            self._due_ns = self._start_ns + int(LISTEN_MS * MS)
            return []
        self._forget_stale()
        if not any(on is not None for on in self._on.values()):
            self._log.append(f"nothing heard from any box for {LISTEN_MS / 1000:.1f} s; no key was pressed")
        return self._choose()

    def _choose(self) -> list[Out]:
        """The next press, or the end."""
        attempt = self._attempt
        if attempt is not None and self._on.get(attempt.circuit):
            if attempt.presses < attempt.most and attempt.without_effect < 2:
                return self._press(attempt)
            self._give_up(attempt)
        self._attempt = self._next()
        if self._attempt is not None:
            return self._press(self._attempt)
        self._go(self._watch, self._watch_ms)
        return self._watch()

    def _next(self) -> _Attempt | None:
        """For the first circuit that is on and that a word is left for."""
        for circuit in self._data.circuits:
            if circuit in self._targets and self._on.get(circuit) and (word := self._word(circuit)):
                return _Attempt(circuit, *word)
        return None

    def _watch(self) -> list[Out]:
        """Until all has stayed as it is for long enough."""
        if self._now_ns < self._due_ns:
            return []
        self.finished = self._next() is None
        return [] if self.finished else self._choose()

    def _word(self, circuit: str) -> tuple[str, int] | None:
        """A word not given up; each circuit gets at most `ROUNDS` fresh starts."""
        if circuit in self._book.by_hand or self._rounds.get(circuit, 0) >= ROUNDS:
            return None
        for control, most in self._data.words.get(circuit, ()):
            if (circuit, control) not in self._given_up and control in self._data.press:
                return control, most
        return None

    def _give_up(self, attempt: _Attempt) -> None:
        self._given_up.add((attempt.circuit, attempt.control))
        why = "had no effect" if attempt.without_effect >= 2 else "did not switch it off"
        self._log.append(f"{attempt.circuit}: {attempt.presses} presses of {attempt.control} {why}")

    def _press(self, attempt: _Attempt) -> list[Out]:
        attempt.before = dict(self._on)
        attempt.presses += 1
        self._pressed += 1
        self._log.append(f"{attempt.circuit} is on: pressed {attempt.control}")
        self._go(self._release, self._data.tap_ms)
        return [self._frame(self._data.press[attempt.control], f"press {attempt.control}")]

    def _release(self) -> list[Out]:
        if self._now_ns < self._due_ns:
            return []
        assert self._attempt is not None
        self._acted_ns = self._now_ns
        self._go(self._read_back, self._data.read_back_ms)
        return [self._frame(self._data.release[self._attempt.control], f"release {self._attempt.control}")]

    def _read_back(self) -> list[Out]:
        """Until every circuit was reported again after the response time, or the time is up."""
        attempt = self._attempt
        assert attempt is not None
        if not self._fresh() and self._now_ns < self._due_ns:
            return []
        self._forget_stale()
        if self._on == attempt.before:
            attempt.without_effect += 1
        elif self._on.get(attempt.circuit) is False:
            self._rounds[attempt.circuit] = self._rounds.get(attempt.circuit, 0) + 1
        return self._choose()

    # -- small parts

    def _fresh(self) -> bool:
        since_ns = self._acted_ns + int(self._data.respond_ms * MS)
        return all(self._seen_ns.get(c, -1) > since_ns for c in self._data.circuits)

    def _forget_stale(self) -> None:
        """What was not reported since the last action is unknown: no key is pressed on an old report."""
        for circuit in self._data.circuits:
            if self._seen_ns.get(circuit, -1) <= self._acted_ns:
                self._on[circuit] = None

    def _frame(self, template: Template, about: str) -> Out:
        return Out(template.can_id, self._book.stamp(template), template.extended, about)

    def _go(self, phase: Callable[[], list[Out]], after_ms: float) -> None:
        self._phase = phase
        self._due_ns = self._now_ns + int(after_ms * MS)
