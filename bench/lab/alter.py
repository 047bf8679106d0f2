"""Recordings with one fault put into them: what a box would have sent had it been late, wrong or restless.

Frames of one message are changed, bit by bit, and its counter is made to count again. Nothing here knows what
is right: it takes a change that the recording shows and moves, removes or repeats it.
"""

from __future__ import annotations

import bisect
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from bench.core.event import PRESS
from bench.core.frame import Frame
from bench.definitions import Definitions

MS = 1_000_000
QUIET_NS = 250 * MS  # so long before and after a change nothing else is done
HELD_NS = 700 * MS  # so long a value stands before and after
STIMULUS_NS = 60 * MS  # a change comes so soon after its cause
CHATTER_NS = 20 * MS


@dataclass(frozen=True, slots=True)
class Change:
    """A signal's raw value went from `old` to `new` in the frame of `t_ns`, for the cause at `cause_ns`;
    it had been `old` for HELD_NS and stays `new` until `until_ns`."""

    signal: str
    t_ns: int
    cause_ns: int
    until_ns: int
    old: int
    new: int

    @property
    def circuit(self) -> str:
        """The circuit whose signal it is."""
        return self.signal.partition(":")[2]


class Trace:
    """Frames of a recording by their true instants, and what is needed to rewrite them."""

    def __init__(self, frames: Sequence[Frame], definitions: Definitions) -> None:
        self.frames = sorted(frames, key=lambda f: f.t_ns)
        self.definitions = definitions
        self.end_ns = self.frames[-1].t_ns
        self._fields = {s: definitions.raw_field(s) for s in definitions.signal_message if _is_plain(s)}
        self._counters = {
            m: definitions.raw_field(s)
            for s, m in definitions.signal_message.items()
            if s.startswith("counter:")
        }
        self.causes_ns: list[int] = []
        self._presses_ns: set[int] = set()
        self.runs: dict[str, list[tuple[int, int]]] = {}  # signal -> (instant, raw value), where it changes
        self._read()

    def _read(self) -> None:
        self.definitions.forget()
        for frame in self.frames:
            reading = self.definitions.decode(frame)
            if reading is None:
                continue
            if reading.events:
                self.causes_ns.append(frame.t_ns)
            if any(event.kind == PRESS for event in reading.events):
                self._presses_ns.add(frame.t_ns)
            for observation in reading.body:
                if observation.signal in self._fields:
                    run = self.runs.setdefault(observation.signal, [])
                    if not run or run[-1][1] != observation.raw:
                        run.append((frame.t_ns, observation.raw))

    def changes(self, kind: str, from_ns: int) -> list[Change]:
        """Changes of `kind` ("state" or "level") with one press just before and nothing else near."""
        out = []
        for signal, run in self.runs.items():
            if not signal.startswith(kind + ":"):
                continue
            ends = [t for t, _ in run[1:]] + [self.end_ns]
            for (since, old), (t_ns, new), until in zip(run, run[1:], ends[1:], strict=False):
                lone = self._lone_cause(t_ns)
                long = t_ns - since >= HELD_NS and until - t_ns >= HELD_NS
                if t_ns >= from_ns and long and lone is not None:
                    out.append(Change(signal, t_ns, lone, until, old, new))
        return out

    def _lone_cause(self, t_ns: int) -> int | None:
        at = self.causes_ns
        first, last = bisect.bisect_left(at, t_ns - QUIET_NS), bisect.bisect_right(at, t_ns + QUIET_NS)
        near = at[first:last]
        if len(near) != 1 or near[0] not in self._presses_ns:
            return None
        return near[0] if t_ns - STIMULUS_NS <= near[0] <= t_ns else None

    # ---- one fault each
    def late(self, change: Change, at_ns: int) -> list[Frame]:
        """The change is shown at `at_ns` only."""
        frames = self._with(change.signal, lambda t: change.old if change.t_ns <= t < at_ns else None)
        return self._insert(frames, change.signal, [(at_ns, change.new)])

    def missing(self, change: Change) -> list[Frame]:
        """The change never comes."""
        held = lambda t: change.old if change.t_ns <= t < change.until_ns else None  # noqa: E731
        return self._count(self._with(change.signal, held), change.signal)

    def early(self, change: Change, at_ns: int) -> list[Frame]:
        """The change is shown from `at_ns` on, before its cause."""
        frames = self._with(change.signal, lambda t: change.new if at_ns <= t < change.t_ns else None)
        return self._insert(frames, change.signal, [(at_ns, change.new)])

    def wrong(self, change: Change, raw: int) -> list[Frame]:
        """Another value is reached."""
        held = lambda t: raw if change.t_ns <= t < change.until_ns else None  # noqa: E731
        return self._count(self._with(change.signal, held), change.signal)

    def chatter(self, change: Change) -> list[Frame]:
        """The new value goes back once and comes again, 20 ms each."""
        off, on = change.t_ns + CHATTER_NS, change.t_ns + 2 * CHATTER_NS
        frames = self._with(change.signal, lambda t: change.old if off <= t < on else None)
        return self._insert(frames, change.signal, [(off, change.old), (on, change.new)])

    def glitch(self, change: Change, at_ns: int) -> list[Frame]:
        """One frame, the first from `at_ns` on, shows the old value again."""
        message = self.definitions.signal_message[change.signal]
        hit = next((f.t_ns for f in self.frames if f.t_ns >= at_ns and self._is(message, f)), None)
        return self._count(
            self._with(change.signal, lambda t: change.old if t == hit else None), change.signal
        )

    # ---- frames
    def _is(self, message: str, frame: Frame) -> bool:
        reading = self.definitions.decode(frame) if not self._is_cause(frame) else None
        return reading is not None and reading.message == message

    def _is_cause(self, frame: Frame) -> bool:
        reports = self.definitions.reports
        return not any(e == frame.extended and not (i ^ frame.can_id) & m for i, m, e, _ in reports)

    def _with(self, signal: str, raw_at: Callable[[int], int | None]) -> list[Frame]:
        message, bits = self.definitions.signal_message[signal], self._fields[signal].bits
        out = []
        for frame in self.frames:
            raw = raw_at(frame.t_ns)
            if raw is not None and self._is(message, frame):
                frame = frame._replace(data=put_bits(frame.data, bits, raw))
            out.append(frame)
        return out

    def _insert(self, frames: list[Frame], signal: str, at: Iterable[tuple[int, int]]) -> list[Frame]:
        message, bits = self.definitions.signal_message[signal], self._fields[signal].bits
        for t_ns, raw in at:
            before = next(f for f in reversed(frames) if f.t_ns < t_ns and self._is(message, f))
            frames.append(before._replace(t_ns=t_ns, data=put_bits(before.data, bits, raw)))
            frames.sort(key=lambda f: f.t_ns)
        return self._count(frames, signal)

    def _count(self, frames: list[Frame], signal: str) -> list[Frame]:
        message = self.definitions.signal_message[signal]
        counter = self._counters.get(message)
        if counter is None:
            return frames
        number: int | None = None
        for i, frame in enumerate(frames):
            if not self._is(message, frame):
                continue
            number = (
                get_bits(frame.data, counter.bits) if number is None else (number + 1) % (1 << counter.size)
            )
            frames[i] = frame._replace(data=put_bits(frame.data, counter.bits, number))
        return frames


def _is_plain(signal: str) -> bool:
    return signal.partition(":")[0] in ("state", "level")


def get_bits(data: bytes, bits: Sequence[int]) -> int:
    """The number at absolute bit positions, most significant first."""
    value = 0
    for position in bits:
        value = value << 1 | data[position // 8] >> position % 8 & 1
    return value


def put_bits(data: bytes, bits: Sequence[int], value: int) -> bytes:
    """The payload with another number there."""
    out = bytearray(data)
    for k, position in enumerate(bits):
        one = value >> (len(bits) - 1 - k) & 1
        out[position // 8] = out[position // 8] & ~(1 << position % 8) | one << position % 8
    return bytes(out)
