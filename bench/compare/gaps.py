"""What the counters in another logger's recording say of frames that it lacks."""

from __future__ import annotations

from bench.core.event import PRESS, RELEASE
from bench.definitions import Definitions, Reading

SLACK_NS = 20_000_000


class Gaps:
    """Told every reading of ours; says since when frames may be missing before it."""

    def __init__(self, definitions: Definitions) -> None:
        self._bits = {m.name: m.counter_bits for m in definitions.messages() if m.counter_bits}
        self._counted_as = {m.name: m.counted_as or m.name for m in definitions.messages()}
        self._key_bits = definitions.key_counter_bits
        self._last: dict[str, tuple[int, int, str]] = {}  # message or node -> counter, instant, which key

    def since(self, t_ns: int, reading: Reading) -> int | None:
        """None where none is missing."""
        if reading.is_control:
            return self._keys(t_ns, reading)
        bits = self._bits.get(reading.message)
        if bits is None:
            return None
        if any(o.signal.startswith("boot:") for o in reading.observations):
            return None
        counts = [o.raw for o in reading.observations if o.signal.startswith("counter:")]
        name = self._counted_as[reading.message]
        since_ns: int | None = None
        for count in counts:
            before, last_ns, _ = self._last.get(name, (count - 1, t_ns, ""))
            if (count - before) % (1 << bits) > 1:
                since_ns = last_ns
            self._last[name] = count, t_ns, ""
        return since_ns

    def forget(self, node: str) -> None:
        """A box starts anew, and its counters with it."""
        for name in [n for n in self._last if n.startswith(f"{node}/")]:
            del self._last[name]

    def _keys(self, t_ns: int, reading: Reading) -> int | None:
        bits = self._key_bits.get(reading.node)
        since_ns: int | None = None
        for kind, name, _, count in reading.events:
            if bits is None or count is None or kind not in (PRESS, RELEASE):
                continue
            key = f"{name} {kind}"
            before, last_ns, last = self._last.get(reading.node, (count - 1, t_ns, ""))
            step = (count - before) % (1 << bits)
            if 1 < step <= 1 << (bits - 1) or (step == 0 and key != last):  # beyond half it began anew
                since_ns = last_ns
            self._last[reading.node] = count, t_ns, key
        return since_ns
