"""Stimuli where no order is defined, and a healthy box that takes them in whatever order it likes."""

from __future__ import annotations

import heapq
import random

from bench.core.clock import VirtualClock
from bench.core.plan import Plan, Step
from bench.lab.api import boat_tables, load_boat
from bench.lab.virtual import START_NS, VirtualBench
from bench.oracle import Oracle
from bench.run.api import Wishes, run_on
from bench.twin import Twin

MS = 1_000_000


class SlowEars:
    """A virtual box that each node's frames reach up to `most_ms` late, in their own order: what one
    panel sent first may be taken after what another sent."""

    def __init__(self, twin, seed, most_ms):
        self._twin, self._chance, self._most_ns = twin, random.Random(seed), most_ms * MS
        self._last, self._queue = {}, []
        self.supply = twin.supply

    def receive(self, t_ns, can_id, data, extended=True):
        at_ns = max(t_ns + round(self._chance.uniform(0, self._most_ns)), self._last.get(can_id, 0) + 1)
        self._last[can_id] = at_ns
        heapq.heappush(self._queue, (at_ns, can_id, data, extended))

    def run_until(self, t_ns):
        while self._queue and self._queue[0][0] <= t_ns:
            self._twin.receive(*heapq.heappop(self._queue))
        return self._twin.run_until(t_ns)


class Hushed(VirtualBench):
    """Frames of one identifier are held back: from `from_ns` on nothing of it is sent until `silent_ns`
    after the last one, and then one frame of it exactly at that instant."""

    def __init__(self, twin, clock):
        super().__init__(twin, clock)
        self.hushes = []  # (identifier, from, silent)
        self._sent_ns, self._until_ns = {}, {}

    def send_at(self, t_ns, can_id, data, extended=True):
        if t_ns < self._until_ns.get(can_id, 0):
            return
        if self.hushes and self.hushes[0][0] == can_id and t_ns >= self.hushes[0][1]:
            silent_ns = self.hushes.pop(0)[2]
            t_ns = self._until_ns[can_id] = self._sent_ns[can_id] + silent_ns
        self._sent_ns[can_id] = t_ns
        super().send_at(t_ns, can_id, data, extended)


class Crowd:
    """A plan of stimuli thrown together, group after group with `apart_ms` and more between."""

    def __init__(self, spec, seed, apart_ms=700.0):
        self.spec, self.chance, self.apart_ms = spec, random.Random(seed), apart_ms
        model = Oracle(spec)
        self.by_cluster = {}
        for control in spec.controls:
            for k in model.control_clusters(control):
                self.by_cluster.setdefault(k, []).append(control)
        self.several = [k for k, controls in self.by_cluster.items() if len(controls) > 1]
        self.t_ms = 300.0
        self.steps = []
        self.sensors = {}

    def add(self, at_ms, kind, name, value=1):
        self.steps.append((at_ms, kind, name, value))

    def tap(self, control, at_ms, held_ms):
        self.add(at_ms, "press", control)
        self.add(at_ms + held_ms, "release", control, 0)

    def together(self, spread_ms, most=3):
        """Controls of circuits that hang together, all pressed within `spread_ms`, and perhaps a sensor."""
        chance = self.chance
        controls = self.by_cluster[chance.choice(self.several)]
        for control in chance.sample(controls, min(chance.randint(2, most), len(controls))):
            self.tap(control, self.t_ms + chance.uniform(0, spread_ms), chance.choice([25.0, 120.0, 300.0]))
        if self.spec.sensors and chance.random() < 0.3:
            name = chance.choice(list(self.spec.sensors))
            self.sensors[name] = 1 - self.sensors.get(name, 0)
            self.add(self.t_ms + chance.uniform(0, 2 * spread_ms), "sensor", name, self.sensors[name])
        self.rest()

    def near_hold(self, control, spread_ms):
        """A dimming key let go about when its hold is reached."""
        circuit = self.spec.circuits[self.spec.functions[self.spec.controls[control].function].circuits[0]]
        self.tap(control, self.t_ms, circuit.dim.hold_ms + self.chance.uniform(-spread_ms, spread_ms))
        self.rest()

    def near_end(self, control, after_s, spread_ms):
        """A circuit that goes off by itself, and its key pressed about then; off in the end either way."""
        self.tap(control, self.t_ms, 100.0)
        self.t_ms += after_s * 1000 + self.chance.uniform(-spread_ms, spread_ms)
        self.tap(control, self.t_ms, 100.0)
        self.rest()
        self.t_ms += after_s * 1000

    def rest(self):
        self.t_ms = max(s[0] for s in self.steps) + self.apart_ms + self.chance.uniform(0, 1500)

    def plan(self):
        steps = sorted(self.steps)
        return Plan("crowd", tuple(Step(round(t, 3), *rest) for t, *rest in steps), self.t_ms + 1500)


def run_crowd(boat, plan, seed, most_ms, faults=(), out=None, hushes=()):
    """Runs a plan on a virtual box with slow ears; the verdict. `hushes`: as of `Hushed`."""
    if isinstance(boat, str):
        boat = load_boat(boat)
    twin = Twin(boat_tables(boat.spec.boat.name), seed=seed, faults=faults, start_ns=START_NS, powered=False)
    clock = VirtualClock(START_NS)
    link = Hushed(SlowEars(twin, seed, most_ms) if most_ms else twin, clock)
    link.hushes = list(hushes)
    return run_on(boat, link, clock, Wishes(plan=plan, out=out), adapter="virtual").verdict
