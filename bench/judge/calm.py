"""Which signals need no second look while they keep their value."""

from __future__ import annotations

from collections.abc import Mapping


class Calm(dict[str, float]):
    """signal -> value that is settled.

    `payloads`: message -> the payload whose every signal was calm when it came last; it need not be
    looked at when it comes again. What stirs one of the signals takes it out. `message_of`: signal ->
    the message that shows it.
    """

    def __init__(self, message_of: Mapping[str, str]) -> None:
        super().__init__()
        self.payloads: dict[str, object] = {}
        self._message_of = message_of

    def stir(self, signal: str) -> None:
        """The next report of a signal is to be looked at."""
        if self.pop(signal, None) is not None:
            self.payloads.pop(self._message_of.get(signal, ""), None)
