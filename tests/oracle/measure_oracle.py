"""Prints what one event costs the oracle: route, step, courses and next_due on known states.

Run as `python tests/oracle/measure_oracle.py`; a figure for docs/oracle.md, not a test.
"""

from __future__ import annotations

import sys
from pathlib import Path
from statistics import median

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from bench.core.clock import cpu_ns  # noqa: E402
from bench.core.event import PRESS, RELEASE, Event  # noqa: E402
from bench.oracle import Oracle  # noqa: E402
from bench.spec import load_spec  # noqa: E402

ROUNDS, MS = 40, 1_000_000


def cost_us(boat: str) -> tuple[float, float]:
    """Median CPU time of one press or release, and of one indicator, in microseconds."""
    spec = load_spec(ROOT / "bench" / "data" / f"{boat}.yaml").spec
    model = Oracle(spec)
    states = [[model.rest(k)] for k in range(len(model.clusters))]
    t_ns, events, lamps = 0, [], []
    for _ in range(ROUNDS):
        spent = done = 0
        for control in spec.controls:
            for kind, after_ms in ((PRESS, 100), (RELEASE, 700)):
                t_ns += after_ms * MS
                begin = cpu_ns()
                for k, states_k in enumerate(states):
                    due = model.next_due(k, states_k[0])
                    while due is not None and due[1] <= t_ns:
                        states_k[0] = model.fire(k, states_k[0])[0]
                        due = model.next_due(k, states_k[0])
                for k, cause in model.route(Event(t_ns, kind, control), states):
                    states[k] = model.step(k, states[k][0], cause)[:1]
                    model.courses(k, states[k][0])
                spent, done = spent + cpu_ns() - begin, done + 1
        events.append(spent / done / 1000)
        begin = cpu_ns()
        for signal in model.indicators:
            model.indicator(signal, states)
        lamps.append((cpu_ns() - begin) / len(model.indicators) / 1000)
    return median(events), median(lamps)


if __name__ == "__main__":
    for name in ("kittiwake", "dunlin", "fulmar"):
        event_us, lamp_us = cost_us(name)
        print(f"{name}: {event_us:.1f} us an event, {lamp_us:.1f} us an indicator")
