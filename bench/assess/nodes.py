"""Who is on the bus: silence, missing cyclic messages, message counters."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from bench.judge.rules import MS

from .agenda import FOREVER, Agenda

SILENT_CYCLES, MISSING_CYCLES = 4.0, 2.6
SLACK_NS = 60 * MS
LATE_NS = 20 * MS  # by which a cyclic message may come later than its cycle
STUCK_AFTER = 4
REPEATS_TOLD = 5  # CAN itself may deliver a frame twice now and then (error in its last bit)


@dataclass(slots=True)
class Message:
    """A cyclic message of a box: when it was last seen, and its counter of `counter_bits` bits.

    Messages with the same `counted_as` (empty: the name) share one counter, kept in the first of them.
    """

    name: str
    node: str
    cycle_ns: int  # 0: not cyclic
    signals: tuple[str, ...]
    counter_bits: int = 8
    counted_as: str = ""
    last_ns: int | None = None
    counter: int | None = None
    same: int = 0
    missing: bool = False
    stuck: bool = False
    repeats: int = 0
    limit_ns: int = 0  # missing when it has not come for longer


@dataclass(slots=True)
class Node:
    """A box: awake, dark or silent."""

    name: str
    frames: int = 0
    last_ns: int | None = None
    before_ns: int | None = None  # of the frame before that
    shortest_ns: int = 1 << 60
    woke_ns: int | None = None
    longest_gap_ns: int = 0  # without a frame since it was to go dark
    awake: bool = True
    silent: bool = False
    limit_ns: int = 0  # silent when nothing of it has come for longer


class Bus:
    """Supervises the boxes' messages. Reports through the callbacks given.

    `missing(message, t_ns)`: other frames of the node arrive, this one does not.
    `silent(node, t_ns)` / `back(node, t_ns)`: the whole node. `gap(message, t_ns, count)`: frames of
    a counted message were not seen. `stuck(message, t_ns)`: its counter does not count.
    `repeated(message, t_ns)`: frames come twice, more often than the bus itself would do.
    `unproved(message, since_ns, t_ns)`: the first of a counted message came so late that others before it
    may not have been seen.
    """

    def __init__(
        self,
        messages: Iterable[Message],
        jitter_ns: int,
        agenda: Agenda,
        *,
        missing: Callable[[Message, int], None],
        silent: Callable[[Node, int], None],
        back: Callable[[Node, int], None],
        gap: Callable[[Message, int, int], None],
        stuck: Callable[[Message, int], None],
        repeated: Callable[[Message, int], None],
        unproved: Callable[[Message, int, int], None],
    ) -> None:
        self.messages = {m.name: m for m in messages}
        self.nodes: dict[str, Node] = {}
        first: dict[str, Message] = {}
        self._counts = {m.name: first.setdefault(m.counted_as or m.name, m) for m in self.messages.values()}
        for message in self.messages.values():
            node = self.nodes.setdefault(message.node, Node(message.node))
            if message.cycle_ns:
                node.shortest_ns = min(node.shortest_ns, message.cycle_ns)
        for message in self.messages.values():
            message.limit_ns = round(MISSING_CYCLES * message.cycle_ns) + jitter_ns + SLACK_NS
        for node in self.nodes.values():
            node.limit_ns = round(SILENT_CYCLES * node.shortest_ns) + jitter_ns + SLACK_NS
        self._jitter_ns = jitter_ns
        self._agenda = agenda
        self._missing, self._silent, self._back, self._gap, self._stuck = missing, silent, back, gap, stuck
        self._repeated, self._unproved = repeated, unproved
        self._next_ns = 0
        self.anew = 0  # how often anything came otherwise than after its like

    def heard(self, name: str, t_ns: int) -> None:
        """A frame of message `name` arrived. Of a multiplexed one whose page cannot be told it may be
        any page; one with nothing of the spec on it shows that its node is alive."""
        message = self.messages.get(name)
        pages = (message,) if message is not None else self._pages_of(name)
        node = self.nodes.get(pages[0].node if pages else name.partition("/")[0])
        if node is None:
            return
        if node.last_ns is None:
            self._look_anew(t_ns)
        elif t_ns - node.last_ns > node.longest_gap_ns:
            node.longest_gap_ns = t_ns - node.last_ns
        node.before_ns, node.last_ns = node.last_ns, t_ns
        node.frames += 1
        for page in pages:
            if page.missing or page.last_ns is None:
                self._look_anew(t_ns)
            if page.counter_bits and self._counts[page.name].counter is None:
                self._first(page, node, t_ns)
            page.last_ns, page.missing = t_ns, False
        if node.silent:
            node.silent = False
            for other in self.messages.values():
                if other.node == node.name:
                    other.last_ns = t_ns
                    other.counter = None
            self._look_anew(t_ns)
            self._back(node, t_ns)

    def _first(self, message: Message, node: Node, t_ns: int) -> None:
        since_ns = node.woke_ns if message.last_ns is None else message.last_ns
        if since_ns is not None and t_ns - since_ns > message.cycle_ns + self._jitter_ns + LATE_NS:
            self._unproved(message, since_ns, t_ns)

    def _look_anew(self, t_ns: int) -> None:
        self.anew += 1
        self._next_ns = t_ns
        self._agenda.by(t_ns)

    def _pages_of(self, name: str) -> tuple[Message, ...]:
        return tuple(m for n, m in self.messages.items() if n.startswith((f"{name} page ", f"{name}.")))

    def counted(self, message: Message) -> Message:
        """The message that keeps its counter."""
        return self._counts[message.name]

    def passed(self, message: Message, t_ns: int, counter: int | None) -> None:
        """Frames of a message came, the last at `t_ns`, as they should."""
        message.last_ns = t_ns
        if counter is not None:
            self._counts[message.name].counter = counter

    def passed_by(self, node: Node, count: int, before_ns: int | None, last_ns: int, gap_ns: int) -> None:
        """`count` frames of a node came, the last but one at `before_ns`, `gap_ns` apart at most."""
        if node.last_ns is not None:
            node.longest_gap_ns = max(node.longest_gap_ns, gap_ns)
        node.before_ns, node.last_ns = node.last_ns if before_ns is None else before_ns, last_ns
        node.frames += count

    def uncounted(self, name: str) -> None:
        """A frame of message `name` arrived whose counter could not be read: the next is no gap."""
        message = self.messages.get(name)
        for page in (message,) if message is not None else self._pages_of(name):
            self._counts[page.name].counter = None

    def count(self, name: str, t_ns: int, counter: int) -> None:
        """The message's counter, before `heard` is told of the next frame."""
        message = self._counts[name]
        before, message.counter = message.counter, counter
        if before is None:
            return
        step = (counter - before) & ((1 << message.counter_bits) - 1)
        if step == 0:
            message.same += 1
            message.repeats += 1
            if message.same >= STUCK_AFTER and not message.stuck:
                message.stuck = True
                self._stuck(message, t_ns)
            return
        if message.same and message.repeats == REPEATS_TOLD:
            self._repeated(message, t_ns)
        message.same = 0
        if step != 1:
            self._gap(self.messages[name], t_ns, step - 1)

    def look(self, t_ns: int) -> None:
        """Time has passed: who should have been heard by now?"""
        if t_ns < self._next_ns:
            self._agenda.by(self._next_ns)
            return
        next_ns = FOREVER  # when something can be overdue, as far as can be told now
        for node in self.nodes.values():
            if not node.awake or node.last_ns is None or node.silent:
                continue
            until_ns = node.last_ns + node.limit_ns
            if until_ns < t_ns:
                node.silent = True
                self._silent(node, t_ns)
            elif until_ns < next_ns:
                next_ns = until_ns
        for message in self.messages.values():
            if message.missing or message.last_ns is None or not message.cycle_ns:
                continue
            node = self.nodes[message.node]
            if not node.awake or node.silent:
                continue
            until_ns = message.last_ns + message.limit_ns
            if until_ns < t_ns and self._is_alive(node, t_ns):
                message.missing = True
                self._missing(message, t_ns)
            elif until_ns < next_ns:
                next_ns = until_ns
        self._next_ns = max(next_ns, t_ns) + 1
        self._agenda.by(self._next_ns)

    def _is_alive(self, node: Node, t_ns: int) -> bool:
        return node.last_ns is not None and t_ns - node.last_ns <= self.pause_ns(node)

    def pause_ns(self, node: Node) -> int:
        """Within this a box that is awake is heard again."""
        return 2 * node.shortest_ns + self._jitter_ns

    def known_silent_ns(self) -> int:
        """How long after its last frame a box is known to be silent, at the latest."""
        cyclic = [n for n in self.nodes.values() if n.shortest_ns < 1 << 60]
        return max((n.limit_ns for n in cyclic), default=0)

    def was_silent(self, name: str) -> bool:
        """Whether the node was silent for a stretch since it was to go dark."""
        node = self.nodes[name]
        return node.longest_gap_ns > node.limit_ns

    def sleep(self, name: str) -> None:
        """The node's supply went off: silence is right."""
        node = self.nodes[name]
        node.awake = node.silent = False
        node.longest_gap_ns = 0

    def wake(self, name: str, t_ns: int) -> None:
        """The node booted: its counters start anew and its cycles count from now."""
        node = self.nodes[name]
        node.awake, node.silent, node.last_ns, node.woke_ns = True, False, t_ns, t_ns
        self._look_anew(t_ns)
        for message in self.messages.values():
            if message.node == name:
                message.counter, message.same, message.missing = None, 0, False
                if message.last_ns is not None:
                    message.last_ns = t_ns

    def heard_within(self, node: str, from_ns: int) -> bool:
        """Whether anything of the node arrived at or after `from_ns`."""
        known = self.nodes.get(node)
        return known is not None and known.last_ns is not None and known.last_ns >= from_ns
