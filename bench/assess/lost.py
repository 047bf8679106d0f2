"""Panels, screens and sensors that fall silent, as the box must take it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from bench.core.event import LOST, Event
from bench.judge.rules import MS
from bench.spec.model import Spec

from .agenda import FOREVER, Agenda
from .stimulus import Stimulus


class Limit(NamedTuple):
    """`sender`: the node whose frames are the signs of life. `lost_ns`: silence after which it is lost;
    `near_ns`: up to here a silence is surely none."""

    sender: str
    lost_ns: int
    near_ns: int


class LostNodes:
    """Watches the signs of life of panels, screens and sensors that the spec gives a `lost` rule. Those of
    the sensors of a box are the frames of its module, `sensors BOX`."""

    def __init__(self, spec: Spec, agenda: Agenda) -> None:
        self._agenda = agenda
        self._after: dict[str, int] = {}
        self._sender: dict[str, str] = {}
        self._told_by: dict[str, list[str]] = {}  # who sends -> whose signs of life these are
        self._near_ns: dict[str, int] = {}  # a silence this near to the limit may be taken either way
        for kind, nodes in (("panel", spec.panels), ("screen", spec.screens), ("sensor", spec.sensors)):
            for name, node in nodes.items():
                if node.lost is not None:
                    self._after[f"{kind} {name}"] = round(node.lost.after_ms * MS)
                    self._near_ns[f"{kind} {name}"] = round(spec.boxes[node.box].respond_ms * MS)
                    sender = f"sensors {node.box}" if kind == "sensor" else f"{kind} {name}"
                    self._sender[f"{kind} {name}"] = sender
                    self._told_by.setdefault(sender, []).append(f"{kind} {name}")
        self._last: dict[str, int] = {}
        self.senders: set[str] = set()  # panels, screens and sensor modules of which anything was heard
        self._gone: set[str] = set()
        self.losses: dict[str, Stimulus] = {}  # node -> the latest loss of it, as the judge was told
        self._back: list[Event] = []
        self._next = FOREVER  # when a node may next be lost
        self._sure: dict[str, int] = {}  # when the box surely heard it last
        self._pending: dict[int, tuple[Sequence[str], int]] = {}
        self._doubted: set[str] = set()

    def limits(self, jitter_ns: int) -> dict[str, Limit]:
        """Of each panel, screen and sensor."""
        return {
            name: Limit(self._sender[name], after, after - self._near_ns[name] - 2 * jitter_ns)
            for name, after in self._after.items()
        }

    def told_by(self, sender: str) -> Sequence[str]:
        """Whose signs of life the frames of a node are."""
        return self._told_by.get(sender, ())

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

    def sent(self, sender: str, t_ns: int, tag: int) -> None:
        """The bench sent a frame of the node, which the link has yet to confirm."""
        names = self.told_by(sender)
        if names:
            self._pending[tag] = names, t_ns
        for name in names:
            self._agenda.by(self._sure.get(name, t_ns) + self._after[name])

    def confirmed(self, tag: int) -> None:
        """That frame was on the bus."""
        names, t_ns = self._pending.pop(tag, ((), 0))
        for name in names:
            self._sure[name] = max(t_ns, self._sure.get(name, t_ns))
            self._doubted.discard(name)

    def unsure(self, t_ns: int) -> Iterator[str]:
        """Nodes that the box may have lost by now, as sends were not confirmed; each once."""
        for node, sure in self._sure.items():
            if node in self._doubted or node in self._gone:
                continue
            if t_ns >= sure + self._after[node] and self._last.get(node, sure) > sure:
                self._doubted.add(node)
                yield node

    def look_again(self, t_ns: int) -> None:
        """Says when there is more to tell. A loss is to be told at its very instant."""
        self._agenda.by(self._next)
        if self._pending:
            sure = [s + self._after[n] for n, s in self._sure.items() if n not in self._doubted]
            self._agenda.by(min((at for at in sure if at > t_ns), default=FOREVER))

    def heard(self, sender: str, t_ns: int, *, sure: bool = True) -> None:
        """A frame of the node was on the bus."""
        self.senders.add(sender)
        for name in self.told_by(sender):
            if sure:
                self._sure[name] = t_ns
            self._last[name] = t_ns
            if name in self._gone:
                if not sure:  # it was lost surely; whether this was heard will soon be known
                    self._sure[name] = t_ns - self._after[name] + self._near_ns[name]
                self._gone.discard(name)
                self._back.append(Event(t_ns, LOST, name, 0))
                self._agenda.by(t_ns)
            self._next = min(self._next, t_ns + self._after[name])
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
