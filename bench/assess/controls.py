"""What panels, screens and sensors send, and what the boxes must make of their silence."""

from __future__ import annotations

from bench.core.event import LOST, Event
from bench.core.frame import Frame
from bench.definitions import Reading
from bench.judge.rules import MS

from .parts import Parts

FROZEN_NS = 250 * MS  # until a ramp that a loss has frozen has shown its level


class Controls:
    """Tells the judge of keys, sensors and losses."""

    def __init__(self, parts: Parts) -> None:
        self._spec, self._definitions, self._model = parts.spec, parts.definitions, parts.model
        self._judge, self._causes, self._findings = parts.judge, parts.causes, parts.findings
        self._lost, self._boots, self._ears = parts.lost, parts.boots, parts.ears
        self._jitter_ns, self._complete = parts.jitter_ns, parts.complete
        self._own_session = parts.own_session
        self._counts: dict[str, tuple[int, int]] = {}  # message of levels -> its last counter, and when

    def heard(self, frame: Frame, reading: Reading, number: int, tag: int | None) -> None:
        """A control frame with its number in the recording; the `tag`-th sent one (None: not sent by us)."""
        t_ns, node, causes = frame.t_ns, reading.node, self._causes
        for name in self._lost.told_by(node):
            self._end_silence(name, t_ns)
        waits = tag is not None and causes.confirms
        self._lost.heard(node, t_ns, sure=not waits)
        if tag is not None and waits:
            self._lost.sent(node, t_ns, tag)
        if reading.undecodable is not None:
            why = f"a control frame cannot be read: {reading.undecodable.reason}"
            self._keys_unknown(node, why, t_ns, t_ns)
            for sensor in self._definitions.forget_sensors(reading.message):
                causes.forget_sensor(sensor)
                self._judge.forget_sensor(sensor, t_ns)
        bits = self._definitions.key_counter_bits.get(node)
        ours = tag is not None and self._own_session  # then what was not sent is told of as refused
        if bits is not None and not ours and not self._complete:
            count, since_ns = causes.missed(t_ns, reading, bits)
            if count:
                why = f"{count} keys of {node} not seen"
                self._findings.lossy(why)
                self._keys_unknown(node, why, since_ns, t_ns)
            elif count is None:
                why = f"the counter of {node} began anew, so keys before it may not have been seen"
                until_ns = t_ns + self._findings.grace_ns
                self._findings.excuse(node, since_ns - 2 * self._jitter_ns, until_ns, why)
        if not ours and not self._complete:
            self._count_levels(frame, reading)
        for box in causes.of_frame(t_ns, reading, number, tag):
            if self._boots.asked(box, t_ns):
                self._ears.told_to_wake(box, t_ns)

    def counted(self, message: str, counter: int, t_ns: int) -> None:
        """Frames of this message came one after another, the last of them with this counter."""
        self._counts[message] = counter, t_ns

    def _count_levels(self, frame: Frame, reading: Reading) -> None:
        """Keys and sensors sent as levels: what changed in a frame that was not seen, or was written in
        another order, is not known."""
        where = self._definitions.level_counters.get(reading.message)
        if where is None or (reading.undecodable is not None and reading.undecodable.kind != "range"):
            return
        counter, t_ns = where.take(frame.data), frame.t_ns
        before, since_ns = self._counts.get(reading.message, (counter, t_ns))
        self._counts[reading.message] = counter, t_ns
        step = (counter - before) & where.mask
        if step < 2:
            return
        back = step > where.mask >> 1
        why = f"{reading.message} counts {'back' if back else f'on by {step}'}: frames of it were not seen"
        self._findings.lossy(why)
        self._keys_unknown(reading.node, why, since_ns, t_ns)
        for sensor in self._definitions.forget_sensors(reading.message):
            self._causes.forget_sensor(sensor)
            self._judge.forget_sensor(sensor, t_ns)

    def _keys_unknown(self, node: str, why: str, since_ns: int, t_ns: int) -> None:
        """Keys of a node may have gone down or up unseen since then: what they reach is taken up anew."""
        grace_ns = self._findings.grace_ns
        self._findings.blinded(since_ns - 2 * self._jitter_ns, t_ns + grace_ns, why, node)
        reached: set[int] = set()
        for control in self._spec.controls.values():
            if control.name.rpartition(" ")[0] != node:
                continue
            function = self._spec.functions.get(control.function)
            if function is None:
                continue
            reached.update(self._judge.cluster_of[c] for c in function.circuits)
            if function.kind == "momentary":
                self._judge.perhaps_held(control.name, function.members[0])
        self._judge.lose(sorted(reached), t_ns)

    # ---- silence
    def pass_time(self, t_ns: int) -> None:
        """Which nodes are lost by now, which are back, and of which can nobody tell?"""
        if not self._lost.stirs(t_ns):
            return
        for event in self._lost.due(t_ns):
            stimulus = self._causes.apply(event, event.t_ns - self._jitter_ns, more_ns=FROZEN_NS)
            if event.value:
                self._lost.losses[event.name] = stimulus
        for node in self._lost.unsure(t_ns):
            self._may_be_lost(node, t_ns)

    def _end_silence(self, name: str, t_ns: int) -> None:
        """A silence that ends near its limit may or may not have been taken for a loss."""
        what = self._lost.silence(name, t_ns, self._jitter_ns)
        if what == "perhaps lost":
            self._causes.apply(Event(t_ns, LOST, name, 1), t_ns - self._jitter_ns, maybe=True)
            if name.startswith("sensor "):
                self._causes.apply(Event(t_ns, LOST, name, 0), t_ns - self._jitter_ns)
        elif what == "perhaps not":
            loss = self._lost.losses[name]
            self._judge.doubt_event(loss.number, loss.clusters, t_ns)

    def _may_be_lost(self, node: str, t_ns: int) -> None:
        why = "its signs of life were not confirmed, so the box may have lost it"
        self._findings.doubt(node, why, t_ns)
        self._judge.lose([k for k, _ in self._model.route(Event(t_ns, LOST, node, 1), ())], t_ns)
