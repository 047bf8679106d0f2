"""Panels, screens and sensors that fall silent, as the box must take it."""

from __future__ import annotations

from collections.abc import Iterator

from bench.core.event import LOST, Event
from bench.judge.rules import MS
from bench.spec.model import Spec

from .agenda import FOREVER, Agenda
from .stimulus import Stimulus


class LostNodes:
    """Watches the heartbeats of the nodes that the spec gives a `lost` rule."""

    def __init__(self, spec: Spec, agenda: Agenda) -> None:
        self._agenda = agenda
        self._after: dict[str, int] = {}
        self._near_ns: dict[str, int] = {}  # a silence this near to the limit may be taken either way
        for kind, nodes in (("panel", spec.panels), ("screen", spec.screens), ("sensor", spec.sensors)):
            for name, node in nodes.items():
                if node.lost is not None:
                    self._after[f"{kind} {name}"] = round(node.lost.after_ms * MS)
                    self._near_ns[f"{kind} {name}"] = round(spec.boxes[node.box].respond_ms * MS)
        self._last: dict[str, int] = {}
        self._gone: set[str] = set()
        self.losses: dict[str, Stimulus] = {}  # node -> the latest loss of it, as the judge was told
        self._back: list[Event] = []
        self._next = FOREVER  # when a node may next be lost
        self._sure: dict[str, int] = {}  # when the box surely heard it last
        self._pending: dict[int, tuple[str, int]] = {}
        self._doubted: set[str] = set()

    def limits_ns(self, jitter_ns: int) -> dict[str, tuple[int, int]]:
        """Node -> after how long it is lost, and how long a silence is surely none."""
        return {
            node: (after, after - self._near_ns[node] - 2 * jitter_ns) for node, after in self._after.items()
        }

    def last_ns(self, node: str) -> int | None:
        """When a node was heard last; None: never, or it is lost."""
        return None if node in self._gone else self._last.get(node)

    @property
    def waits(self) -> bool:
        """Whether there is something to tell, or something has yet to be confirmed."""
        return bool(self._pending or self._back)

    def silence(self, node: str, t_ns: int, jitter_ns: int) -> str:
        """What the box made of the silence that a frame of the node ends at `t_ns`: `heard`, `lost`, or
        near the limit `perhaps lost` where no loss was told yet, `perhaps not` where it was."""
        last = self._last.get(node)
        if last is None:
            return "heard"
        over_ns = t_ns - last - self._after[node]
        near = abs(over_ns) < self._near_ns[node] + 2 * jitter_ns
        if node in self._gone:
            return "perhaps not" if near else "lost"
        return "perhaps lost" if near else "heard"

    def sent(self, node: str, t_ns: int, tag: int) -> None:
        """The bench sent a frame of the node, which the link has yet to confirm."""
        if node in self._after:
            self._pending[tag] = node, t_ns
            self._agenda.by(self._sure.get(node, t_ns) + self._after[node])

    def confirmed(self, tag: int) -> None:
        """That frame was on the bus."""
        node, t_ns = self._pending.pop(tag, ("", 0))
        self._sure[node] = max(t_ns, self._sure.get(node, t_ns))
        self._doubted.discard(node)

    def unsure(self, t_ns: int) -> Iterator[str]:
        """Nodes that the box may have lost by now, as sends were not confirmed; each once."""
        for node, sure in self._sure.items():
            if not node or node in self._doubted or node in self._gone:
                continue
            if t_ns >= sure + self._after[node] and self._last.get(node, sure) > sure:
                self._doubted.add(node)
                yield node

    def look_again(self, t_ns: int) -> None:
        """Says when there is more to tell. A loss is to be told at its very instant."""
        self._agenda.by(self._next)
        if self._pending:
            sure = [s + self._after[n] for n, s in self._sure.items() if n and n not in self._doubted]
            self._agenda.by(min((at for at in sure if at > t_ns), default=FOREVER))

    def heard(self, node: str, t_ns: int, *, sure: bool = True) -> None:
        """A frame of the node was on the bus."""
        if node in self._after:
            if sure:
                self._sure[node] = t_ns
            self._last[node] = t_ns
            if node in self._gone:
                self._gone.discard(node)
                self._back.append(Event(t_ns, LOST, node, 0))
                self._agenda.by(t_ns)
            self._next = min(self._next, t_ns + self._after[node])
            self._agenda.by(self._next)

    def stirs(self, t_ns: int) -> bool:
        """Whether there may be something to tell by `t_ns`."""
        return t_ns >= self._next or bool(self._back) or bool(self._pending)

    def due(self, t_ns: int) -> Iterator[Event]:
        """Losses and returns up to `t_ns`."""
        while self._back:
            yield self._back.pop(0)
        if t_ns < self._next:
            return
        self._next = FOREVER
        for node, last in self._last.items():
            if node in self._gone:
                continue
            at = last + self._after[node]
            if at <= t_ns:
                self._gone.add(node)
                yield Event(at, LOST, node, 1)
            else:
                self._next = min(self._next, at)
