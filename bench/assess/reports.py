"""What the boxes' frames show: told to the judge, signal by signal, where it may be news."""

from __future__ import annotations

from bench.core.event import SENSOR, WAKE, Event
from bench.core.signal import Observation
from bench.definitions import Reading
from bench.judge.rules import MS

from .parts import Parts
from .timing import hears

BOOT_TWICE_NS = 200 * MS  # no box boots twice within this: the frame was repeated on the bus


class Reports:
    """Once judging has begun: tells of what boxes show."""

    def __init__(self, parts: Parts) -> None:
        self._spec, self._definitions, self._judge = parts.spec, parts.definitions, parts.judge
        self._rules, self._causes = parts.rules, parts.causes
        self._boots, self._ears = parts.boots, parts.ears
        self._overloads = parts.persons.overloads
        self._reported = parts.reported
        self._cycle_ns = max((r.cycle_ns for r in parts.rules.values()), default=0)

    def stirs(self, t_ns: int, reading: Reading, number: int) -> bool:
        """Look at what a report shows. Whether some of it needs a look the next time too."""
        judge, rules, reported = self._judge, self._rules, self._reported
        calm, currents, unavailable = judge.calm, judge.currents, self._ears.unavailable
        stirring, overloads = False, self._overloads
        for observation in reading.body:
            signal, value, _, _ = observation
            if calm.get(signal) == value and value is not None:
                continue
            stirring = True
            if overloads.waits and value is not None and signal.startswith("fault:"):
                overloads.saw(signal.removeprefix("fault:"), value)
            reported[signal] = observation
            if value is None:
                self._ears.not_available(t_ns, reading.node, observation)
            elif (current := currents.get(signal)) is not None:
                current.sample(t_ns, value)
            elif (rule := rules.get(signal)) is not None:
                if unavailable and signal in unavailable:
                    self._ears.available(t_ns, rule)
                judge.sample(t_ns, signal, value)
            else:
                self.other(t_ns, reading, observation, number)
        return stirring

    def other(self, t_ns: int, reading: Reading, observation: Observation, number: int) -> None:
        """A counter, the supply's voltage or a boot, shown by the frame of that number."""
        kind = observation.signal.partition(":")[0]
        if kind == "counter":
            self._ears.frame_index = number
            self._ears.bus.count(reading.message, t_ns, observation.raw)
        elif kind == "supply_v" and observation.value is not None:
            self._judge.sample(t_ns, observation.signal, observation.value)
        elif kind == "boot" and t_ns - self._boots.since(reading.node) > BOOT_TWICE_NS:
            self._ears.frame_index = number
            self._booted(t_ns, reading.node, observation.raw)

    def _booted(self, t_ns: int, box: str, reason: int) -> None:
        self._unheard_by(box, t_ns)
        unread = self._unread_by(box, t_ns)
        earliest_ns = self._ears.booted(t_ns, box, reason)
        hidden_ns = round(self._spec.boxes[box].wake.not_available_ms * MS)
        self._causes.apply(Event(t_ns, WAKE, box, 1), earliest_ns, more_ns=self._cycle_ns + hidden_ns)
        self._judge.grant(hidden_ns)
        levels = self._definitions.level_message
        self._causes.woke({k: m for k, m in levels.items() if hears(self._spec, box, k)})
        for sensor, value in unread.items():
            self._causes.apply(Event(t_ns, SENSOR, sensor, 1 - value), t_ns, maybe=True)
            self._causes.forget_sensor(sensor)
            self._definitions.forget_sensor(sensor)

    def _unheard_by(self, box: str, t_ns: int) -> None:
        """A box that boots unasked did not hear what was done since it stopped, for other boxes either."""
        last_ns = self._ears.bus.nodes[box].before_ns
        if self._boots.due(box) or last_ns is None:
            return
        since_ns = last_ns - round(self._spec.boxes[box].respond_ms * MS)
        causes = [s for s in self._causes.recent(since_ns, t_ns) if hears(self._spec, box, s.name)]
        self._judge.lose(sorted({i for s in causes for i in s.clusters}), t_ns)

    def _unread_by(self, box: str, t_ns: int) -> dict[str, int]:
        """Sensors that changed while their box was asleep, and their values now: until a sensor's next frame
        the box may take it as it was before."""
        since_ns = self._boots.asleep_since(box) or self._ears.bus.nodes[box].before_ns
        if since_ns is None:
            return {}
        since_ns -= round(self._spec.boxes[box].respond_ms * MS)
        now = {s.name: s.value for s in self._causes.recent(since_ns, t_ns) if s.kind == SENSOR}
        before = self._causes.sensors_before(since_ns, now)
        return {n: v for n, v in now.items() if before.get(n, v) != v and hears(self._spec, box, n)}
