"""The oracle satisfies every golden trace, alone. Source of each expectation: docs/meaning.md, by hand."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest
import runner

from bench.core.event import BY_HAND, LOST, PRESS, RELEASE, SENSOR, SHED, SUPPLY, TRIP, WAKE, Event
from bench.core.model import State
from bench.oracle import Oracle
from bench.spec import model as spec_model

SIGNALS = {"fault": "fault:", "lamp": "lamp:", "backlight": "backlight:"}
Clusters = list[list[State]]


class OracleBox:
    """Walks the Model protocol as the judge does, and stands in for the wires: an overload that lasts
    trips whatever is on in its driver."""

    def __init__(self, spec: spec_model.Spec) -> None:
        self.spec = spec
        self.model = Oracle(spec)
        self.place = {c: (k, n) for k, names in enumerate(self.model.clusters) for n, c in enumerate(names)}
        self.overloaded: set[str] = set()
        self.seated: set[str] = set()
        self.latest: dict[str, str] = {}
        before = runner.BASE_NS + (runner.START_MS - 2000) * 10**6
        woken = runner.BASE_NS + runner.START_MS * 10**6
        self.states: Clusters = [list(self.model.unknown(k, before)) for k in range(len(self.model.clusters))]
        self._quiet(before)
        for kind, value in ((SUPPLY, 0), (SUPPLY, 1), (WAKE, 1)):
            self._boxes(woken, kind, value)
        self._dark(woken)

    # -- the start: what every trace's reader may take for granted

    def _quiet(self, t_ns: int) -> None:
        for sensor in self.spec.sensors:
            self._event(Event(t_ns, SENSOR, sensor, 0))
        for circuit in self.spec.circuits:
            self._event(Event(t_ns, BY_HAND, circuit, 0))
        for control in self.spec.controls:
            self._event(Event(t_ns, RELEASE, control, 0))

    def _dark(self, t_ns: int) -> None:
        """No trip, and dark unless woken: `keep` narrows the unknown start to it."""
        woken = {c for w in self.spec.wakes for c in w.circuits}
        settled = t_ns + 10**9
        self._advance(settled)
        for circuit, (k, _) in self.place.items():
            signals = [f"fault:{circuit}"] + ([] if circuit in woken else [f"level:{circuit}"])
            for signal in signals:
                kept = (self.model.keep(k, s, signal, 0.0, 0.0) for s in self.states[k])
                self.states[k] = list(dict.fromkeys(s for s in kept if s is not None))
            assert self.states[k], f"{circuit}: no start state is dark and without a trip"

    # -- what the runner asks

    def act(self, t_ns: int, verb: str, args: tuple[Any, ...]) -> None:
        if verb in ("press", "release", "repeat"):
            self._key(t_ns, verb, args)
        elif verb == "sensor":
            self._event(Event(t_ns, SENSOR, args[0], args[1]))
        elif verb == "by_hand":
            (self.seated.add if args[1] else self.seated.discard)(args[0])
            self._event(Event(t_ns, BY_HAND, args[0], args[1]))
        elif verb == "overload":
            (self.overloaded.add if args[1] else self.overloaded.discard)(args[0])
        elif verb in ("lost", "back"):
            name = f"sensor {args[1]}" if args[0] == "sensor" else f"{args[0]} {args[1]}"
            self._event(Event(t_ns, LOST, name, int(verb == "lost")))
        elif verb == "shed":
            self._boxes(t_ns, SHED, args[0])
        else:
            self._power(t_ns, verb, args)
        self._trip(t_ns)

    def read(self, t_ns: int, see: runner.See) -> tuple[float, float] | None:
        self._advance(t_ns)
        if see.what == "true":
            return None  # the true output by hand is outside the model
        if see.what == "level":
            k, n = self.place[see.subject]
            spans = [self.model.courses(k, s)[n].span(t_ns, t_ns) for s in self.states[k]]
        else:
            subject = see.subject
            if see.what == "lamp":
                subject = runner.control(self.spec, runner.parse_key(subject))
            spans = list(self.model.indicator(SIGNALS[see.what] + subject, self.states))
        return min(lo for lo, _ in spans), max(hi for _, hi in spans)

    # -- events

    def _key(self, t_ns: int, verb: str, key: tuple[str, int]) -> None:
        name = runner.control(self.spec, key)
        again = any(b.repeated_counter == "new_event" for b in self.spec.boxes.values())
        if verb == "repeat" and not again:
            return
        kind = self.latest[name] if verb == "repeat" else {"press": PRESS, "release": RELEASE}[verb]
        self.latest[name] = kind
        self._event(Event(t_ns, kind, name, int(kind == PRESS)))

    def _power(self, t_ns: int, verb: str, args: tuple[Any, ...]) -> None:
        by_supply = any(b.wake.by == "supply" for b in self.spec.boxes.values())
        if verb == "wake" and by_supply:
            self._boxes(t_ns, SUPPLY, 0)
            self._boxes(t_ns, SUPPLY, 1)
        if verb == "supply":
            self._boxes(t_ns, SUPPLY, args[0])
        if verb == "wake" or (by_supply and args[0]):
            self._boxes(t_ns, WAKE, 1)

    def _boxes(self, t_ns: int, kind: str, value: int) -> None:
        for box in self.spec.boxes:
            self._event(Event(t_ns, kind, box, value))

    def _trip(self, t_ns: int) -> None:
        for circuit in sorted(self.overloaded - self.seated):
            k, n = self.place[circuit]
            on = [self.model.courses(k, s)[n].span(t_ns, t_ns)[1] > 0 for s in self.states[k]]
            assert len(set(on)) == 1, f"{circuit}: unknown whether on when its load is overloaded"
            if on[0] and self.spec.circuits[circuit].trip is not None:
                self._event(Event(t_ns, TRIP, circuit, 1))

    def _event(self, event: Event) -> None:
        self._advance(event.t_ns)
        for k, cause in self.model.route(event, self.states):
            after = (s for state in self.states[k] for s in self.model.step(k, state, cause))
            self.states[k] = list(dict.fromkeys(after))
            assert self.states[k], f"no state is left after {event}"

    def _advance(self, t_ns: int) -> None:
        self.states = [self._due(k, states, t_ns) for k, states in enumerate(self.states)]

    def _due(self, k: int, states: Sequence[State], t_ns: int) -> list[State]:
        """States at `t_ns`: what is overdue has happened, what is due in an interval around it may have."""
        todo, out = list(states), {}
        for _ in range(10_000):
            if not todo:
                return list(out)
            state = todo.pop()
            due = self.model.next_due(k, state)
            if due is None or due[0] > t_ns:
                out[state] = None
                continue
            if due[1] > t_ns:
                out[state] = None
            todo.extend(self.model.fire(k, state))
        raise AssertionError("changes without end")


SHEETS = runner.sheets()
TRACES = [(sheet, trace) for sheet in SHEETS for trace in sheet.traces]


@pytest.mark.parametrize(
    ("sheet", "trace"), TRACES, ids=[f"{s.file[:-5]}:{t.name.replace(' ', '-')}" for s, t in TRACES]
)
def test_the_oracle_sees_what_the_meaning_says(sheet, trace):
    spec = runner.spec_of(sheet)
    wrong = runner.walk(trace, spec, OracleBox(spec))
    assert not wrong, "\n".join(wrong)
