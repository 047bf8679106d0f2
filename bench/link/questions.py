"""Whether an adapter shows what it sees in time, from its answers to a question put again and again. Sans-IO.

An adapter answers in the order of its stream: once an answer is here, everything that it had seen before the
question is. So no frame since the last answered question can be stamped later than the next answer, and
how long that takes bounds how late stamps are (docs/decisions/0014-held-back.md).
"""

from __future__ import annotations

MS = 1_000_000
EVERY_NS = 7 * MS  # from one question to the next
SPARE_NS = 1 * MS  # it may wait so much longer for something else to be done
PAUSE_MS = (EVERY_NS + SPARE_NS) / MS
ANSWER_LIMIT_NS = 500 * MS  # an answer that takes longer is taken for lost
TELL_NS = 100 * MS  # an answer that is out is told of each time so much longer


class Questions:
    """One question at a time; `proven_ns`: all that was seen by then is in the stream.

    `limit_ns`: stamps that may be later than that are told of.
    """

    def __init__(self, limit_ns: int, now_ns: int) -> None:
        self.limit_ns = limit_ns
        self.proven_ns = now_ns
        self.asked_ns: int | None = None
        self._again = False  # the same was asked once more, and two answers may come
        self._next_ns = now_ns
        self._tell_ns = now_ns + TELL_NS

    @property
    def due_ns(self) -> int:
        """When the next question is put at the latest."""
        return self._next_ns + SPARE_NS if self.asked_ns is None else self.asked_ns + ANSWER_LIMIT_NS

    def ask(self, now_ns: int, *, soon: bool = False) -> bool:
        """Whether to put the question now. `soon`: as soon as the last one was answered."""
        if self.asked_ns is None:
            if now_ns < self._next_ns and not (soon and self._next_ns - now_ns <= EVERY_NS):
                return False
            self.asked_ns, self._again = now_ns, False
            self._next_ns = now_ns + EVERY_NS
            return True
        if self._again or now_ns - self.asked_ns <= ANSWER_LIMIT_NS:
            return False
        self._again = True
        return True

    def given_up(self, now_ns: int) -> bool:
        """Whether the adapter does not answer any more, though asked twice."""
        return self.asked_ns is not None and now_ns - self.asked_ns > 2 * ANSWER_LIMIT_NS

    def answered(self, now_ns: int) -> int:
        """An answer came. How late a stamp up to now may be, where that is beyond the limit; else 0."""
        if self.asked_ns is None:
            return 0  # the other one of two
        late_ns = now_ns - self.proven_ns
        self.proven_ns, self.asked_ns = self.asked_ns, None
        self._tell_ns = self.proven_ns + max(TELL_NS, self.limit_ns)
        if self._again:  # which of both it answers is not known: wait until the other is surely lost
            self._next_ns = now_ns + ANSWER_LIMIT_NS
        return late_ns if late_ns > self.limit_ns else 0

    def overdue(self, now_ns: int) -> int:
        """How late a stamp up to now may be, each time that this is worth telling; else 0."""
        if now_ns < self._tell_ns:
            return 0
        self._tell_ns = now_ns + TELL_NS
        return now_ns - self.proven_ns
