"""What comes of a stimulus or a deviation: coverage, a finding, or a doubt where the bench must not judge."""

from __future__ import annotations

from collections.abc import Mapping

from bench.core.timeline import Steady
from bench.judge.found import Found
from bench.spec.model import Spec

from .coverage import Coverage
from .findings import unseen, unsent
from .parts import Parts
from .stimulus import Stimulus
from .timing import box_of

ALARMS = ("overcurrent", "overheat")  # reported by a box that protects itself


class Outcomes:
    """Once judging has begun: what becomes of stimuli and deviations."""

    def __init__(self, parts: Parts) -> None:
        self._spec, self._judge, self._rules = parts.spec, parts.judge, parts.rules
        self._causes, self._findings, self._ears = parts.causes, parts.findings, parts.ears
        self._persons, self._frame_of = parts.persons, parts.frame_of
        self._message_of = parts.definitions.signal_message
        self._jitter_ns, self._complete = parts.jitter_ns, parts.complete
        self._own_session, self._senders = parts.own_session, parts.lost.senders
        self._reached_by = reached_by(parts.spec, parts.judge.cluster_of)

    def conclude(self, stimulus: Stimulus, coverage: Coverage) -> None:
        """Its time is over: was everything it should do expected, and shown?"""
        if stimulus.found or stimulus.doubt or stimulus.maybe:
            return
        clusters = [self._judge.clusters[i] for i in stimulus.clusters]
        if not all(c.known() and c.nothing_owed() for c in clusters):
            return
        if self._findings.blind_over(stimulus.t_ns, stimulus.due_ns):
            return
        coverage.judged(stimulus)
        for cluster in clusters:
            for circuit in cluster.circuits:
                found = cluster.settled_course(circuit)
                if found is not None and isinstance(found[0], Steady):
                    level = (found[0].lo_pct + found[0].hi_pct) / 2
                    coverage.shown(circuit, level, stimulus.t_ns)

    def found(self, found: Found) -> None:
        """The judge found a deviation: a suspect, unless the bench has itself to blame."""
        causes, findings = self._causes, self._findings
        stimulus = causes.before(found.cause)
        if stimulus:
            stimulus.found = True
        kind, _, subject = found.signal.partition(":")
        box = box_of(self._spec, kind, subject)
        name = box.name if box else ""
        why = self._why_not(found, stimulus, name)
        if why:
            findings.doubt(found.subject, why, found.t_ns)
            return
        if found.unseen and (message := self._ears.overdue(found)) is not None:
            self._ears.message_missing(message, found.t_ns, complete=self._complete)
            return
        recent = causes.recent(found.since_ns - self._jitter_ns, found.t_ns)
        shown_by = self._frame_of.get(self._message_of.get(found.signal, ""))
        leans_on = causes.unconfirmed(found.clusters)
        nodes = self._nodes(found) if not self._own_session and found.kind == "unexpected" else ()
        before = causes.until(found.cause)
        findings.of_signal(found, stimulus, recent, name, shown_by, leans_on, nodes, before, causes.recent)

    def _why_not(self, found: Found, stimulus: Stimulus | None, box: str) -> str:
        """Why the bench must not call this a discrepancy; empty when it may."""
        if stimulus and stimulus.doubt:
            return unsent(stimulus, stimulus.doubt)
        blind = self._findings.blind_over(found.since_ns - self._findings.grace_ns, found.t_ns)
        if blind:
            return unseen(blind, found.signal)
        if found.seen in ALARMS and found.signal.startswith("fault:"):
            return f"box {box} reports {found.seen} of it, and the bench's load may be the cause"
        if found.kind == "current" and (why := self._persons.why_not_current(found.subject)):
            return why
        nodes = self._nodes(found) if not self._own_session and found.kind != "current" else ()
        if nodes and self._senders.isdisjoint(nodes):
            return f"nothing was heard of {' and '.join(nodes)}, so what they did may not have been recorded"
        if not found.unseen:
            return ""
        rule = self._rules[found.signal]
        if rule.on_change and not rule.cycle_ns and not self._complete and not self._is_counted(found.signal):
            return f"{found.signal} is told once, and this link cannot prove that it lost no frame"
        if found.signal in self._ears.unavailable:
            return f"the box does not report {found.signal} readably"
        if box and not self._ears.bus.heard_within(box, found.since_ns):
            return f"nothing was heard of box {box} while {found.signal} was judged"
        return ""

    def _nodes(self, found: Found) -> tuple[str, ...]:
        return tuple(sorted({n for i in found.clusters for n in self._reached_by.get(i, ())}))

    def _is_counted(self, signal: str) -> bool:
        message = self._ears.bus.messages.get(self._message_of.get(signal, ""))
        return message is not None and message.counter_bits > 0


def reached_by(spec: Spec, cluster_of: Mapping[str, int]) -> dict[int, set[str]]:
    """Cluster -> the panels, screens and sensor modules whose frames can change it."""
    out: dict[int, set[str]] = {}
    for control in spec.controls.values():
        function = spec.functions.get(control.function)
        for circuit in function.circuits if function else ():
            out.setdefault(cluster_of[circuit], set()).add(control.name.rpartition(" ")[0])
    for rule in spec.forces:
        node = f"sensors {spec.sensors[rule.sensor].box}"
        out.setdefault(cluster_of[rule.circuit], set()).add(node)
    return out
