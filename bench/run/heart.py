"""What panels, screens and sensor modules send all the time, on absolute deadlines."""

from __future__ import annotations

from collections.abc import Iterable

from bench.definitions.sending import Beat, Sent

MS = 1_000_000
APART_NS = 7 * MS  # first beats lie this far apart, so that they do not come in one burst


class Heart:
    """All cyclic messages of the bench. A slot that was missed is skipped, never sent late in a burst."""

    def __init__(self, beats: Iterable[Beat]) -> None:
        self._beats = list(beats)
        self._next_ns: list[int] = []
        self._silent: set[str] = set()

    def start(self, t_ns: int) -> None:
        """First beats from `t_ns` on."""
        self._next_ns = [t_ns + i * APART_NS for i in range(len(self._beats))]

    def stop(self) -> None:
        """No more beats."""
        self._next_ns = []

    def hush(self, node: str, t_ns: int, *, silent: bool) -> list[Sent]:
        """From `t_ns` on a node sends nothing, or again. Gives back what it sends at that very instant."""
        (self._silent.add if silent else self._silent.discard)(node)
        mine = [i for i, beat in enumerate(self._beats) if beat.node == node]
        for i in mine if self._next_ns else ():
            self._next_ns[i] = t_ns + round(self._beats[i].period_ms * MS)
        return [sent for i in mine for sent in self._beats[i].make()]

    @property
    def silent(self) -> tuple[str, ...]:
        """Nodes of which nothing is sent."""
        return tuple(sorted(self._silent))

    def due(self, now_ns: int, until_ns: int) -> list[tuple[int, Sent]]:
        """Frames for the slots up to `until_ns`, each slot once."""
        out: list[tuple[int, Sent]] = []
        for i, at_ns in enumerate(self._next_ns):
            if at_ns > until_ns:
                continue
            beat = self._beats[i]
            period_ns = round(beat.period_ms * MS)
            if beat.node in self._silent:
                self._next_ns[i] = until_ns + 1
                continue
            if at_ns < now_ns:
                at_ns += (now_ns - at_ns) // period_ns * period_ns
            while at_ns <= until_ns:
                out += [(at_ns, sent) for sent in beat.make()]
                at_ns += period_ns
            self._next_ns[i] = at_ns
        return out
