"""When the assessor looks next at what time alone brings about."""

from __future__ import annotations

FOREVER = 1 << 62


class Agenda:
    """Whoever will have something to tell at an instant says so with `by`. Looking more often than asked
    changes nothing, so that it does not matter which frames happen to come in between."""

    __slots__ = ("at_ns",)

    def __init__(self) -> None:
        self.at_ns = FOREVER

    def by(self, t_ns: int) -> None:
        """Look at `t_ns` at the latest."""
        if t_ns < self.at_ns:
            self.at_ns = t_ns
