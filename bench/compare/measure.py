"""What is measured of a session: effects of each stimulus, delays, steady currents, speeds of dimmers."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, field

from bench.compare.observe import MS, Course, Record
from bench.core.event import PRESS, RELEASE, SENSOR

Change = tuple[int, float]  # ns after the stimulus, value
Delay = tuple[int, int]  # ns after the stimulus: earliest instant of the change, instant it was told
SPACING_SLACK_MS = 2.0  # a held report leaves up to this late: other frames come first
PIECE_NS = 200 * MS  # a ramp is cut into pieces this long; each gives one speed
STEADY_NS = 200 * MS  # a level that did not change for so long is not moving


@dataclass(slots=True)
class Effects:
    """What came after one stimulus, until the next one that may change the same.

    `changes`: signal -> its changes. `since_ns`: signal -> the frame before the one that showed its first
    change, in ns after the stimulus. `span_ns`: signal -> how long it was this stimulus's.
    """

    changes: dict[str, list[Change]] = field(default_factory=dict)
    span_ns: dict[str, int] = field(default_factory=dict)
    since_ns: dict[str, int] = field(default_factory=dict)


def clusters_of(record: Record, signal: str) -> frozenset[int]:
    """The clusters a signal depends on; empty for one that the spec does not name."""
    kind, _, subject = signal.partition(":")
    if kind == "boot":
        own = record.spec.circuits.values()
        return frozenset().union(*(clusters_of(record, f"state:{c.name}") for c in own if c.box == subject))
    if kind in ("state", "level"):
        return frozenset(k for k, names in enumerate(record.model.clusters) if subject in names)
    return frozenset(record.model.indicators.get(signal, ()))


def effects_of(record: Record) -> list[Effects]:
    """For each stimulus of a record, in order."""
    out = [Effects() for _ in record.stimuli]
    for signal, course in record.courses.items():
        clusters = clusters_of(record, signal)
        mine = [k for k, s in enumerate(record.stimuli) if s.reached & clusters]
        if not mine:
            continue
        starts = [record.stimuli[k].t_ns for k in mine]
        ends = [*starts[1:], record.end_ns + 1]
        for k, start, end in zip(mine, starts, ends, strict=True):
            out[k].span_ns[signal] = end - start
            found = [(t - start, v) for t, v in course.between(start, end)]
            if found:
                out[k].changes[signal] = found
                if course.since_ns:
                    out[k].since_ns[signal] = course.since_ns[bisect_right(course.t_ns, start)] - start
    return out


def response_ns(record: Record, signal: str) -> int:
    """How long after a stimulus a change still counts as its direct answer: generously twice the time
    the spec allows, plus the age a report may have."""
    kind = signal.partition(":")[0]
    longest = 0.0
    for box in record.spec.boxes.values():
        timing = box.frames_ms.get(kind) or box.frames_ms.get("state")
        cycle = 0.0 if timing is None or timing.on_change_ms is not None else timing.cycle_ms or 0.0
        longest = max(longest, 2 * box.respond_ms + cycle)
    return round((longest + 4 * record.jitter_ms) * MS)


def first_reports(record: Record, number: int, effects: Effects) -> dict[str, Delay]:
    """Circuit -> time from a key or sensor stimulus to the first report, state or level, of its answer."""
    out: dict[str, Delay] = {}
    if record.stimuli[number].kind not in (PRESS, RELEASE, SENSOR):
        return out
    for signal, changes in effects.changes.items():
        kind, _, subject = signal.partition(":")
        if kind in ("state", "level") and changes[0][0] <= response_ns(record, signal):
            out[subject] = _both(out.get(subject), report_delay(record, signal, effects))
    return out


def report_delay(record: Record, signal: str, effects: Effects) -> Delay:
    """When the first change of a signal was told, and since when it may have waited to be told.

    A report that came no later than the message's least spacing (frames_ms on_change) after the one
    before it may have been held back by that; any other was sent at once.
    """
    told_ns = effects.changes[signal][0][0]
    since_ns = effects.since_ns.get(signal)
    kind = signal.partition(":")[0]
    spacing_ms = 0.0
    for box in record.spec.boxes.values():
        timing = box.frames_ms.get(kind) or box.frames_ms.get("state")
        spacing_ms = max(spacing_ms, (timing.on_change_ms or 0.0) if timing else 0.0)
    held = since_ns is not None and told_ns - since_ns <= (spacing_ms + SPACING_SLACK_MS) * MS
    return (max(0, since_ns) if held and since_ns is not None else told_ns), told_ns


def _both(one: Delay | None, other: Delay) -> Delay:
    """What two reports of one change together say of its instant."""
    if one is None:
        return other
    told_ns = min(one[1], other[1])
    return min(max(one[0], other[0]), told_ns), told_ns


def steady_currents(record: Record, circuit: str) -> dict[float, list[list[float]]]:
    """Level in percent -> for each time the output came to rest there, its readings from settle_ms on."""
    level = record.courses.get(f"level:{circuit}") or _as_level(record.courses.get(f"state:{circuit}"))
    if level is None or circuit not in record.readings:
        return {}
    box = record.spec.boxes[record.spec.circuits[circuit].box]
    cycle = box.frames_ms.get("current")
    settle_ns = round((box.settle_ms + ((cycle.cycle_ms or 0.0) if cycle else 0.0)) * MS)
    before_ns = round(box.respond_ms * MS)  # a current may fall before the state that explains it
    out: dict[float, list[list[float]]] = {}
    latest = 0
    times, amps = record.readings[circuit]
    for t_ns, value in zip(times, amps, strict=True):
        k = bisect_right(level.t_ns, t_ns)
        if not k or t_ns < level.t_ns[k - 1] + settle_ns:
            continue
        if k < len(level.t_ns) and t_ns > level.t_ns[k] - before_ns:
            continue
        if not record.is_blind(level.t_ns[k - 1], t_ns):
            stays = out.setdefault(level.values[k - 1], [])
            if k != latest:
                stays.append([])
                latest = k
            stays[-1].append(value)
    return out


def _as_level(state: Course | None) -> Course | None:
    return None if state is None else Course(state.t_ns, [100.0 * v for v in state.values])


def ramp_speeds(record: Record) -> Mapping[str, tuple[list[float], int]]:
    """Dimmed circuit -> speeds in percent per second of pieces of its ramps, and the longest ramp in ns."""
    out = {}
    for circuit in record.spec.circuits.values():
        course = record.courses.get(f"level:{circuit.name}")
        if circuit.dim is not None and course is not None:
            speeds: list[float] = []
            longest = 0
            for first, last in _ramps(course):
                longest = max(longest, course.t_ns[last] - course.t_ns[first])
                speeds += _pieces(course, first, last)
            if speeds:
                out[circuit.name] = speeds, longest
    return out


def _ramps(course: Course) -> list[tuple[int, int]]:
    """Runs of at least four changes in one direction, none more than STEADY_NS after the one before."""
    found, first = [], 0
    t_ns, values = course.t_ns, course.values
    for k in range(1, len(values) + 1):
        goes_on = (
            k < len(values)
            and t_ns[k] - t_ns[k - 1] <= STEADY_NS
            and (k == first + 1 or (values[k] > values[k - 1]) == (values[k - 1] > values[k - 2]))
        )
        if not goes_on:
            if k - 1 - first >= 4:
                found.append((first + 1, k - 1))  # the first step may be a jump
            first = k if k < len(values) and t_ns[k] - t_ns[k - 1] > STEADY_NS else k - 1
    return found


def _pieces(course: Course, first: int, last: int) -> list[float]:
    out, begin = [], first
    for k in range(first + 1, last):  # the last step is where it stopped or turned
        took = course.t_ns[k] - course.t_ns[begin]
        if took >= PIECE_NS:
            out.append(abs(course.values[k] - course.values[begin]) / took * 1e9)
            begin = k
    return out
