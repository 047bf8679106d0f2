"""Records built by hand: a boat of two plain circuits and one with a count that no report shows."""

from bench.compare.observe import Course, Record, Stimulus
from bench.oracle import Oracle
from bench.spec import load_spec

MS = 1_000_000
KEYS = {"lamp": "panel helm 1", "pump": "panel helm 2", "wipers": "panel helm 3"}
TEXT = """
hardstand: 1
boat: {name: Teal}
boxes:
  main:
    definitions: switchbox.dbc
    binding: switchbox.binding.yaml
    supply_v: 12
    respond_ms: 100
    settle_ms: 250
    resolves_ms: 30
    timing_ms: {scan: 5, debounce: 15, task: 10}
    frames_ms:
      {state: &own {on_change: 20, cycle: 100}, level: *own, lamp: *own, current: {cycle: 100}}
    level_step_pct: 0.4
    wake: {by: supply, within_s: 2.0, others: dark}
    by_hand: {means: fuse_seat, sensed: flag, presses: ignored}
    trip_at_wake: kept
    current: {gain_pct: 3, offset_a: 0.1}
panels: {helm: {}}
circuits:
  lamp: {channel: 1, load: led, rated_a: 1}
  pump: {channel: 2, load: motor, rated_a: 4}
  wiper_a: {channel: 3, load: motor, rated_a: 3}
  wiper_b: {channel: 4, load: motor, rated_a: 3}
functions:
  wipers: {cycle: [[wiper_a], [wiper_a, wiper_b], []], position: counter, reset: {on: wake}}
controls:
  panel helm: {1: {function: lamp, lamp: any}, 2: pump, 3: wipers}
"""


def toy_boat(folder):
    """Spec and model, read from a file in `folder`."""
    path = folder / "teal.yaml"
    path.write_text(TEXT)
    spec = load_spec(path).spec
    return spec, Oracle(spec)


class Story:
    """Writes a record: presses, and what the box shows."""

    def __init__(self, boat, name="a"):
        spec, model = boat
        self.record = Record(name, spec, model, jitter_ms=2.0, start_ns=1)
        self.reach = {
            key: frozenset(
                k for k, names in enumerate(model.clusters) if set(names) & set(model.targets(key))
            )
            for key in KEYS.values()
        }
        self.every = frozenset(range(len(model.clusters)))
        self.t_ns = 0
        for circuit in spec.circuits:
            self.show(circuit, 0)

    def wait(self, ms):
        """Time passes."""
        self.t_ns += round(ms * MS)
        self.record.end_ns = self.t_ns
        return self

    def show(self, circuit, on):
        """The box reports a state."""
        course = self.record.courses.setdefault(f"state:{circuit}", Course())
        course.t_ns.append(self.t_ns)
        course.values.append(float(on))
        return self

    def press(self, word, *shown, after_ms=20.0, hold_ms=300.0):
        """A press and its release 1 s apart from others; `shown`: (circuit, on) `after_ms` after it."""
        key = KEYS[word]
        self.wait(500)
        self.record.stimuli.append(Stimulus(self.t_ns, "press", key, 1, self.reach[key]))
        self.wait(after_ms)
        for circuit, on in shown:
            self.show(circuit, on)
        self.wait(hold_ms - after_ms)
        self.record.stimuli.append(Stimulus(self.t_ns, "release", key, 1, self.reach[key]))
        return self.wait(500)

    def supply(self):
        """Off and on: the box forgets."""
        for value in (0, 1):
            self.wait(500)
            self.record.stimuli.append(Stimulus(self.t_ns, "supply", "main", value, self.every))
        return self.wait(2000)
