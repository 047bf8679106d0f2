"""The slcan link: a CAN adapter behind a serial port, with every send answered or said not to be."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass

from bench.core.clock import Clock
from bench.core.entry import AdapterLate, Dropped, Entry
from bench.core.errors import BenchError, Complaint, UsageError
from bench.core.frame import RX, Frame
from bench.core.link import LinkFacts, stamp_error_ms

from .owner import JITTER_MS, MS, QUEUE_LIMIT, OwnedLink
from .questions import ANSWER_LIMIT_NS, PAUSE_MS, Questions
from .serial_port import Port, open_port
from .slcan_codec import (
    BITRATE_CODES,
    Decoder,
    Done,
    Garbage,
    Item,
    Received,
    Refusal,
    Reply,
    encode_frame,
    full_frames,
)  # fmt: skip

SERIAL_BAUD = 115_200
ROUND_TRIPS = 10
ASKED = (b"V\r", b"N\r")  # its version, or else its serial number
TRIED = 3
_NOTHING: Item = Reply("")
_new = tuple.__new__


@dataclass(slots=True)
class _LoopTest:
    """Round trips under way: how many are left, the worst so far."""

    done: threading.Event
    left: int = ROUND_TRIPS
    worst_ms: float = 0.0
    result_ms: float | None = None


class SlcanLink(OwnedLink):
    """`bitrate` in bit/s on the CAN bus; `serial_baud` matters only to adapters with a real UART.

    Raises: UsageError for a bit rate that has no unambiguous S code.
    """

    def __init__(
        self,
        port_name: str,
        clock: Clock,
        *,
        bitrate: int = 250_000,
        serial_baud: int = SERIAL_BAUD,
        bus: str = "can0",
        queue_limit: int = QUEUE_LIMIT,
        opener: Callable[[str, int], Port] = open_port,
    ) -> None:
        super().__init__(clock, bus=bus, queue_limit=queue_limit)
        self._name, self._baud, self._opener = port_name, serial_baud, opener
        self._bitrate, self._code = bitrate, bitrate_code(bitrate)
        self._decoder = Decoder()
        self._port: Port | None = None
        self._version = ""
        self._syncing_since_ns: int | None = None
        self._test: _LoopTest | None = None
        self._question, self._known = b"", _NOTHING  # what the adapter answers always alike, and its answer
        self._questions: Questions | None = None

    @property
    def facts(self) -> LinkFacts:
        """Sends are confirmed by the adapter's own answer; nothing is echoed. Timely where it answers
        questions."""
        timely = self._questions is not None
        return LinkFacts(f"slcan:{self._name}", True, "none", JITTER_MS, timely=timely, pause_ms=PAUSE_MS)

    @property
    def version(self) -> str:
        """What the adapter answered to V; empty when it did not."""
        return self._version

    def loop_test(self) -> float | None:
        """Worst of ten round trips to the adapter in ms; None: it answers no question. Blocks: up to 2 s.

        What it tells of stamps is what `stamp_error_ms` makes of this from here on."""
        if self._questions is None:
            return None
        test = _LoopTest(threading.Event())
        self._test = test
        self._wake()
        test.done.wait(2.0)
        self._test = None
        if test.result_ms is not None:
            self._questions.limit_ns = round(stamp_error_ms(JITTER_MS, test.result_ms, PAUSE_MS) * MS)
        return test.result_ms

    # opening, before the thread runs
    def _connect(self) -> None:
        self._port = self._opener(self._name, self._baud)
        self.shared = self._port.selects
        try:
            self._open_channel()
        except BaseException:
            self._port.close()
            raise

    def _open_channel(self) -> None:
        self._write(b"\r")  # ends a line that an earlier program may have left half written
        self._listen(30 * MS, lambda item: False)
        if self._ask(b"C\r", (Done, Refusal)) is None:
            advice = "check that it is a slcan adapter, its power, and that no other program has the port"
            text = f"the adapter at {self._name} does not answer within {ANSWER_LIMIT_NS // MS} ms"
            raise BenchError(Complaint(text, advice=advice))
        if not isinstance(self._ask(self._code.encode() + b"\r", (Done, Refusal)), Done):
            advice = "choose a bit rate the adapter has"
            text = f"the adapter at {self._name} refuses {self._bitrate} bit/s ({self._code})"
            raise BenchError(Complaint(text, advice=advice))
        if not isinstance(self._ask(b"O\r", (Done, Refusal)), Done):
            text = f"the adapter at {self._name} refuses to open its CAN channel"
            raise BenchError(Complaint(text, advice="unplug it and plug it in again"))
        for question in ASKED:  # all earlier answers are in by then
            if self._is_answered_alike(question):
                self._question = question
                self._questions = Questions(round(JITTER_MS * MS), self._clock.now_ns())
                break

    def _is_answered_alike(self, question: bytes) -> bool:
        """Whether each answer to it is one line, always the same, and can be told from all else."""
        answers: list[Item] = []

        def wanted(item: Item) -> bool:
            if not isinstance(item, Received):
                answers.append(item)
            return not isinstance(item, Received)

        for _ in range(TRIED):
            self._write(question)
            if self._listen(ANSWER_LIMIT_NS, wanted) is None:
                return False
        first = answers[0]
        if question == b"V\r" and isinstance(first, Reply):
            self._version = first.text
        if len(answers) != TRIED or any(answer != first for answer in answers) or not _is_words(first):
            return False
        self._known = first
        return True

    def _ask(self, command: bytes, wanted: tuple[type[Item], ...]) -> Item | None:
        self._write(command)
        return self._listen(ANSWER_LIMIT_NS, lambda item: isinstance(item, wanted))

    def _listen(self, for_ns: int, wanted: Callable[[Item], bool]) -> Item | None:
        """The first item that is wanted; those that came with it are looked at too."""
        until_ns = self._clock.now_ns() + for_ns
        assert self._port is not None
        while (left_ns := until_ns - self._clock.now_ns()) > 0:
            items = self._decoder.feed(self._port.read(left_ns / 1e9))
            if found := [item for item in items if wanted(item)]:
                return found[0]
        return None

    # with the turn
    def _receive(self, timeout_s: float) -> list[Entry]:
        assert self._port is not None
        data = self._port.read(timeout_s)
        if not data:
            return []
        now_ns = self._clock.now_ns()
        bus = self._bus
        full, data = self._decoder.split(data)
        entries: list[Entry] = [
            _new(Frame, (now_ns, can_id, payload, True, RX, bus, False, False, None, None))
            for can_id, payload in (full_frames(full) if full else ())
        ]
        if not data:
            self._counters.received += len(entries)
            return entries
        received = len(entries)
        for item in self._decoder.feed(data):
            if type(item) is Received:
                can_id, payload, extended, remote, dlc, _ = item
                entries.append(
                    _new(Frame, (now_ns, can_id, payload, extended, RX, bus, remote, False, None, dlc))
                )
                received += 1
            elif (entry := self._answer(item, now_ns)) is not None:
                entries.append(entry)
        self._counters.received += received
        return entries

    def _answer(self, item: Item, now_ns: int) -> Entry | None:
        """What anything but a frame means."""
        if self._questions is not None:
            if item == self._known:
                return self._answered(self._questions, now_ns)
        elif isinstance(item, Reply) or (self._syncing_since_ns is not None and _is_words(item)):
            self._syncing_since_ns = None
            return None
        if isinstance(item, Garbage | Reply):
            self._counters.garbage += 1
            return Dropped(now_ns, "slcan text", 1)
        if self._syncing_since_ns is not None:
            return None  # an answer to a send already given up
        if self._pending:
            if isinstance(item, Done):
                return self._confirm_next(now_ns)
            tag, _ = self._pending.popleft()
            return self._refuse(tag, "the adapter answered BEL: not sent")
        self._counters.garbage += 1  # an answer nobody asked for: order of answers is in doubt
        return Dropped(now_ns, "slcan answers", 1) if isinstance(item, Refusal) else None

    def _transmit(self, tag: int, can_id: int, data: bytes, extended: bool) -> str | None:
        self._write(encode_frame(can_id, data, extended=extended))
        return None

    def _check(self, now_ns: int) -> list[Entry]:
        entries: list[Entry] = []
        if self._syncing_since_ns is None:
            unanswered = self._pending and now_ns - self._pending[0][1] > ANSWER_LIMIT_NS
            entries += self._give_up(now_ns) if unanswered else []
        elif now_ns - self._syncing_since_ns > 2 * ANSWER_LIMIT_NS:
            raise BenchError(f"the adapter at {self._name} does not answer any more")
        if self._questions is not None:
            self._put_question(self._questions, now_ns, entries)
        return entries

    def _put_question(self, questions: Questions, now_ns: int, entries: list[Entry]) -> None:
        if questions.given_up(now_ns):
            raise BenchError(f"the adapter at {self._name} does not answer any more")
        if late_ns := questions.overdue(now_ns):
            entries.append(AdapterLate(now_ns, round(late_ns / MS, 3)))
        if questions.ask(now_ns, soon=self._test is not None):
            self._write(self._question)
        self._check_ns = questions.due_ns

    def _answered(self, questions: Questions, now_ns: int) -> Entry | None:
        """To the question that is put again and again."""
        asked_ns = questions.asked_ns
        late_ns = questions.answered(now_ns)
        if self._syncing_since_ns is not None and questions.proven_ns >= self._syncing_since_ns:
            self._syncing_since_ns = None
        test = self._test
        if test is not None and asked_ns is not None and test.left:
            test.worst_ms = max(test.worst_ms, (now_ns - asked_ns) / MS)
            test.left -= 1
            if not test.left:
                test.result_ms = test.worst_ms
                test.done.set()
        return AdapterLate(now_ns, round(late_ns / MS, 3)) if late_ns else None

    def _give_up(self, now_ns: int) -> list[Entry]:
        """No answer to a send: later answers cannot be told apart until V has been answered."""
        reason = f"the adapter gave no answer within {ANSWER_LIMIT_NS // MS} ms: not known to be sent"
        refused: list[Entry] = [self._refuse(tag, reason) for tag, _ in self._pending]
        self._pending.clear()
        self._syncing_since_ns = now_ns
        if self._questions is None:
            self._write(b"V\r")
        return refused

    def _write(self, data: bytes) -> None:
        assert self._port is not None
        self._port.write(data)

    def _wake(self) -> None:
        if self._port is not None:
            self._port.wake()

    def _disconnect(self) -> None:
        if self._port is None:
            return
        if self._stop.is_set():
            try:
                self._write(b"C\r")
                self._listen(50 * MS, lambda item: isinstance(item, Done | Refusal))
            except BenchError:
                pass
        self._port.close()


def _is_words(item: Item) -> bool:
    """Whether it is an answer with content, be it one that the protocol does not know."""
    if isinstance(item, Garbage):
        return item.data.isascii() and item.data.decode().isprintable()
    return isinstance(item, Reply)


def bitrate_code(bitrate: int) -> str:
    """The S command of a bit rate. Raises UsageError when there is none that all adapters agree on."""
    if code := BITRATE_CODES.get(bitrate):
        return code
    rates = ", ".join(str(rate) for rate in BITRATE_CODES)
    extra = ""
    if bitrate in (750_000, 800_000):
        extra = "; S7 means 750000 to some adapters and 800000 to others, so it is not offered"
    raise UsageError(
        Complaint(f"slcan has no bit rate of {bitrate} bit/s", expected=f"one of {rates}{extra}")
    )
