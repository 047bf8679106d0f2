"""Which signals need no second look while they keep their value."""

from __future__ import annotations

from collections.abc import Mapping, Sequence


class Calm(dict[str, float]):
    """signal -> value that is settled.

    `payloads`: message -> the payload whose every signal was calm when it came last; it need not be
    looked at when it comes again. What stirs one of the signals takes it out. `messages_of`: signal ->
    the messages that show it.
    """

    def __init__(self, messages_of: Mapping[str, Sequence[str]]) -> None:
        super().__init__()
        self.payloads: dict[str, object] = {}
        self._messages_of = messages_of

    def stir(self, signal: str) -> None:
        """The next report of a signal is to be looked at."""
        if self.pop(signal, None) is not None:
            for message in self._messages_of.get(signal, ()):
                self.payloads.pop(message, None)
