"""Draws random boats. Each is dealt from a deck of shapes, so that a large one holds every behaviour."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Sequence

from bench.evidence.random_boat import MOST_PER_BOX, Boat, Box, Channel, Deed, Key, Rule

MOST_INPUTS = 8
LOADS = ("led", "lamp", "motor", "relay", "resistive", "electronic")
AMPS = (1.2, 2.0, 3.5, 5.2, 8.0)
CLEARS = ("control", "group_off", "scene_off", "cycle_empty", "timer", "inhibit", "shed", "supply")

Shape = Callable[["Draw", list[int]], None]


class Draw:
    """A boat in the making. `shapes`: what takes channels, and how many of them; the first of the boat is the
    first of these, with `widest` channels."""

    def __init__(self, seed: int, count: int, widest: int, shapes: Sequence[tuple[Shape, int, int]]) -> None:
        self.chance = chance = random.Random(f"boat {seed} {count} {widest}")
        channels = [self._channel(n + 1) for n in range(count)]
        self.boat = Boat(f"Randomia {seed}", self._box(count), channels)
        self._free = list(range(1, count + 1))
        chance.shuffle(self._free)
        self._quarrels: list[set[int]] = []  # of each at most one may be switched on at a stroke
        self._deal(widest, shapes)
        self._shared()
        self._more()
        self._panels()

    # -- boxes and loads
    def _box(self, count: int) -> Box:
        chance = self.chance
        hand = chance.random() < 0.6
        return Box(
            volts=chance.choice((12, 24)), scan_ms=5, debounce_ms=chance.choice((10, 15)),
            task_ms=chance.choice((5, 10, 20)), resolves_ms=chance.choice((30, 45, 80, 120)),
            shortest_ms=chance.choice((0, 0, 30)), wakes_by_message=chance.random() < 0.4,
            stays=chance.random() < 0.4, absent_ms=chance.choice((0, 300)), senses_hand=hand,
            hand_stores=not hand or chance.random() < 0.5, trip_goes=chance.random() < 0.4,
            repeats_count=chance.random() < 0.3,
            sheds=tuple(sorted(chance.sample(range(1, min(count, MOST_PER_BOX) + 1), min(2, count)))),
            shed_refuses=chance.random() < 0.5, shed_restores=chance.random() < 0.5,
        )  # fmt: skip

    def _channel(self, number: int) -> Channel:
        return Channel(number, self.chance.choice(LOADS), self.chance.choice(AMPS))

    def _take(self, most: int) -> list[int]:
        taken, self._free = self._free[:most], self._free[most:]
        return taken

    def at(self, number: int) -> Channel:
        return self.boat.channels[number - 1]

    # -- deeds and rules
    def deed(self, kind: str, channels: Iterable[int] = (), **more: object) -> Deed:
        made = Deed(len(self.boat.deeds) + 1, kind, tuple(channels), **more)  # type: ignore[arg-type]
        self.boat.deeds.append(made)
        return made

    def rule(self, kind: str, target: int, sources: Sequence[int], *words: str) -> None:
        self.boat.rules.append(Rule(kind, target, tuple(sources), words))

    def toggles(self, channels: Iterable[int], share: float = 1.0) -> None:
        for c in channels:
            if self.chance.random() < share:
                self.deed("toggle", [c])

    def _deal(self, widest: int, shapes: Sequence[tuple[Shape, int, int]]) -> None:
        first, plain = shapes[0][0], shapes[1][0]
        first(self, self._take(widest))
        deck: list[tuple[Shape, int, int]] = []
        while self._free:
            if not deck:
                deck = list(shapes)
                self.chance.shuffle(deck)
            shape, least, most = deck.pop()
            if len(self._free) < least:
                shape, least, most = plain, 1, 1
            shape(self, self._take(self.chance.randint(least, most)))

    def quarrel(self, channels: Iterable[int]) -> None:
        self._quarrels.append(set(channels))

    def peaceful(self, channels: Iterable[int]) -> list[int]:
        """Those of them that may be switched on at one stroke."""
        kept: list[int] = []
        for c in channels:
            if not any(c in q and q & set(kept) for q in self._quarrels):
                kept.append(c)
        return kept

    def _some(self, most: int) -> list[int]:
        numbers = [c.number for c in self.boat.channels]
        return self.peaceful(self.chance.sample(numbers, min(len(numbers), self.chance.randint(2, most))))

    def _shared(self) -> None:
        """Scenes and functions that switch only on or only off, over everything."""
        for _ in range(max(1, len(self.boat.channels) // 16)):
            members = self._some(5)
            levels = tuple((c, self.chance.choice((0, 30, 50, 100, 100))) for c in members)
            if any(level for _, level in levels):
                self.deed("scene", levels=levels, word=self.chance.choice(("off", "reapply")))
            self.deed("off", self._some(6))
            able = {c for d in self.boat.deeds for c in d.touches if d.kind in ("toggle", "group", "off")}
            if on := [c for c in self._some(3) if c in able]:
                self.deed("on", on)

    def _more(self) -> None:
        """Electronic fuses, wake-up."""
        chance, toggled = self.chance, [d.touches[0] for d in self.boat.deeds if d.kind == "toggle"]
        for c in toggled:
            channel = self.at(c)
            if chance.random() < 0.2 and channel.load in ("led", "resistive"):
                words = chance.sample(CLEARS, 2) + ["wake"] * (
                    self.boat.box.trip_goes and chance.random() < 0.5
                )
                channel.clears = tuple(dict.fromkeys(["control", *words]))
        if toggled:
            woken = self.peaceful(chance.sample(toggled, min(len(toggled), chance.randint(1, 3))))
            self.boat.wakes = [
                (c, chance.choice((100, 100, 40))) for c in woken if not self._comes_back_beside(c)
            ]

    def _comes_back_beside(self, channel: int) -> bool:
        """Whether one that keeps it off, and is kept off by it, may come back at the same time."""
        off = {(r.target, s) for r in self.boat.rules if r.kind == "inhibit" for s in r.sources}
        return self.boat.box.stays and any((s, channel) in off for c, s in off if c == channel)

    # -- keys
    def _panels(self) -> None:
        chance = self.chance
        places = [(n, k) for n in range(4) for k in (range(1, 29) if n < 2 else range(21, 49))]
        chance.shuffle(places)
        for node in range(2):
            mine = next(p for p in places if p[0] == node)
            places.remove(mine)
            self.boat.keys.append(Key(*mine, deed=0))
        for deed in self.boat.deeds:
            if places:
                self.boat.keys.append(self._key(places.pop(), deed))
        for deed in self.boat.deeds:
            if places and chance.random() < 0.25:
                self.boat.keys.append(self._key(places.pop(), deed))
        self.boat.keys.sort(key=lambda k: (k.node, k.number))
        for node in range(2):
            deed = chance.choice(self.boat.deeds)
            place = chance.randint(1, len(deed.rows)) if deed.kind == "cycle" else 1
            self.boat.lights.append(
                (node, deed.number, place, chance.choice((40, 100)), chance.choice((0, 10)))
            )
        words = ("release", "hold"), ("freeze", "continue"), ("hold", "off")
        for node in range(4):
            held, dim, others = (chance.choice(w) for w in words)
            self.boat.losses.append((node, held, dim, others))
        self.boat.sensor_loss = chance.choice(("hold", "rest", "active"))

    def _key(self, place: tuple[int, int], deed: Deed) -> Key:
        chance = self.chance
        shows = ["", "any", "all"] + {"scene": ["active"], "cycle": ["position"]}.get(deed.kind, []) * 3
        lamp, tripped, watches = chance.choice(shows), "", tuple[int, ...]()
        if lamp in ("any", "all") and chance.random() < 0.15:
            watches = tuple(chance.sample([c.number for c in self.boat.channels], 2))
        if lamp and any(self.at(c).clears for c in watches or deed.touches):
            tripped = chance.choice(("flashing", "on", "off"))
        return Key(*place, deed.number, lamp, watches, tripped)

    def input(self) -> int:
        """A sensor's input: a new one while there are some."""
        if self.boat.inputs < MOST_INPUTS:
            self.boat.inputs += 1
            return self.boat.inputs
        return 0
