"""A toy model for the judge's own tests: one lamp on a key, one pump with an uncertain timer.

It is written for these tests alone; it shares nothing with the oracle.
"""

from __future__ import annotations

from typing import ClassVar

from bench.core.event import PRESS, RELEASE, Event
from bench.core.timeline import FULL, OFF, Steady

MS = 1_000_000
LAMP, PUMP = 0, 1


class ToyModel:
    """State of cluster 0: "on" | "off" | "?"; of cluster 1: ("on", earliest end, latest end) | "off"."""

    clusters = (("light",), ("pump", "mirror"))
    indicators: ClassVar = {"lamp:key": (0,)}

    def unknown(self, cluster, t_ns):
        return ["?"] if cluster == LAMP else ["off"]

    def route(self, event: Event, states):
        if event.kind == RELEASE:
            return []
        assert event.kind == PRESS
        return [(LAMP, "toggle")] if event.name == "key" else [(PUMP, event.t_ns)]

    def step(self, cluster, state, cause):
        if cluster == LAMP:
            return {"on": ["off"], "off": ["on"], "?": ["?"]}[state]
        return [("on", cause + 1000 * MS, cause + 1400 * MS)]

    def next_due(self, cluster, state):
        return (state[1], state[2]) if cluster == PUMP and state != "off" else None

    next_end = next_due

    def fire(self, cluster, state):
        return ["off"]

    def courses(self, cluster, state):
        if cluster == LAMP:
            return ({"on": FULL, "off": OFF, "?": Steady(0.0, 100.0)}[state],)
        return (OFF, OFF) if state == "off" else (FULL, FULL)

    def keep(self, cluster, state, signal, lo, hi):
        if state != "?":
            return state
        return "on" if lo > 0 else "off"

    def adopt(self, cluster, t_ns, seen):
        if cluster == LAMP:
            return ["on" if seen.get("state:light", 0) else "off"]
        return ["off"]

    def indicator(self, signal, states):
        return tuple(sorted({{"on": (1, 1), "off": (0, 0), "?": (0, 1)}[s] for s in states[0]}))

    def hidden(self, cluster, state):
        return {}

    def targets(self, control):
        return ("light",) if control == "key" else ("pump",)
