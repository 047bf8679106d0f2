"""What one session showed and the other did not: states, levels, lamps, order. Seen or not seen: no test."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import combinations, pairwise

from bench.compare.measure import STEADY_NS, Change, Effects, clusters_of, response_ns
from bench.compare.observe import MS, Record
from bench.compare.result import Difference
from bench.compare.step import Pair
from bench.core.event import PRESS, RELEASE, SUPPLY, WAKE
from bench.spec.model import Box

LEVEL_SLACK_COUNTS = 1.5  # both sessions' rounding and truncation: twice what the judge grants one
WORDS = {
    "state": {0.0: "off", 1.0: "on"},
    "boot": {
        0.0: "starts",
        1.0: "starts (supply)",
        2.0: "starts (message)",
        3.0: "starts (watchdog)",
        4.0: "starts (command)",
    },
    "lamp": {0.0: "off", 1.0: "on", 2.0: "flashing"},
    "fault": {
        0.0: "none",
        1.0: "tripped",
        2.0: "open load",
        3.0: "by hand",
        4.0: "overcurrent",
        5.0: "overheat",
    },
}


class Facts:
    """Differences between two records over matched stimuli.

    `signals`: those observed in both. `compared`: circuits and controls of which something was.
    """

    def __init__(
        self,
        a: Record,
        b: Record,
        effects_a: Sequence[Effects],
        effects_b: Sequence[Effects],
        pairs: list[Pair],
    ) -> None:
        self.a, self.b, self.pairs = a, b, pairs
        self.effects_a, self.effects_b = effects_a, effects_b
        self.blind: set[str] = set()
        self.signals = sorted(
            s
            for s in a.courses
            if s in b.courses and a.courses[s].values and b.courses[s].values and clusters_of(a, s)
        )
        self._jitter_ns = round(2 * (a.jitter_ms + b.jitter_ms) * MS)

    def found(self) -> list[Difference]:
        """All, in the order of the first session; the same one after the same stimulus told once."""
        found: list[Difference] = []
        for signal in self.signals:
            if signal.startswith(("level:", "backlight:")):
                found += self._levels(signal)
            else:
                found += self._sequences(signal)
        found += self._orders()
        found += self._absent()
        return sorted(_folded(found), key=lambda d: (d.t_a_ns, _RANK[d.kind], d.subject))

    def _of(self, clusters: frozenset[int]) -> list[tuple[int, int]]:
        """Pairs that may change one of the clusters, while none of them was apart."""
        return [
            (p.a, p.b)
            for p in self.pairs
            if self.a.stimuli[p.a].reached & clusters and not clusters & p.apart
        ]

    # ---- on and off
    def _sequences(self, signal: str) -> Iterator[Difference]:
        kind, _, subject = signal.partition(":")
        clusters = clusters_of(self.a, signal)
        mine = self._of(clusters)
        done = -1
        for number, (i, j) in enumerate(mine):
            if number <= done or signal not in self.effects_a[i].span_ns:
                continue
            if signal not in self.effects_b[j].span_ns or self._is_blind(i, j, signal):
                continue
            if self._is_first_sight(i, j, signal):
                continue
            x, y = self._changes(i, j, signal)
            if kind in ("lamp", "fault") and self.a.stimuli[i].kind in (SUPPLY, WAKE):
                x, y = x[-1:], y[-1:]  # while a box starts only what it comes to is agreed
                if _comes_to(self.a, i, signal, x) == _comes_to(self.b, j, signal, y):
                    continue
            if _values(x) == _values(y):
                yield from self._timers(signal, i, j, x, y)
                continue
            if number + 1 < len(mine):
                next_x, next_y = self._changes(*mine[number + 1], signal)
                if _values(x) + _values(next_x) == _values(y) + _values(next_y):
                    done = number + 1  # the same changes, only told around the next stimulus
                    continue
            if (timer := self._ended_apart(signal, mine[: number + 1], x, y)) is not None:
                yield from timer
                continue
            of = self._same_key(i)
            yield self._fact(kind, subject, i, j, _words(kind, x), _words(kind, y), of)

    def _is_first_sight(self, i: int, j: int, signal: str) -> bool:
        """Whether it was never seen before in one of them, where no start of a box explains that."""
        if self.a.stimuli[i].kind in (SUPPLY, WAKE) or signal.startswith("boot:"):
            return False
        before = (self.a, i), (self.b, j)
        return any(r.courses[signal].at(r.stimuli[k].t_ns) is None for r, k in before)

    def _timers(self, signal: str, i: int, j: int, x: list[Change], y: list[Change]) -> Iterator[Difference]:
        """Changes that came by themselves later: apart by more than both boxes together may be."""
        kind, _, subject = signal.partition(":")
        if kind != "state":
            return
        limit_ns = self._timer_limit_ns(signal, i)
        for (at_a, value), (at_b, _) in zip(x, y, strict=True):
            if max(at_a, at_b) > response_ns(self.a, signal) and abs(at_a - at_b) > limit_ns:
                word = WORDS[kind][value]
                a, b = f"{word} after {at_a / 1e9:.3f} s", f"{word} after {at_b / 1e9:.3f} s"
                yield self._fact("timer", subject, i, j, a, b, self._same_key(i))
                return

    def _ended_apart(
        self, signal: str, pairs: list[tuple[int, int]], x: list[Change], y: list[Change]
    ) -> list[Difference] | None:
        """Where one session has one change more, and the other the same later, both by themselves while keys
        of other circuits were pressed: a timer, counted from the key that worked it. None where not so."""
        kind, _, subject = signal.partition(":")
        more, fewer = (x, y) if len(x) > len(y) else (y, x)
        i, j = pairs[-1]
        if kind != "state" or _values(more)[:-1] != _values(fewer):
            return None
        value = more[-1][1]
        ends = [self._end_by_itself(r, k, signal, value) for r, k in ((self.a, i), (self.b, j))]
        if ends[0] is None or ends[1] is None:
            return None
        i, j = next((p for p in reversed(pairs) if self._is_key_of(subject, p[0])), (i, j))
        at_a, at_b = ends[0] - self.a.stimuli[i].t_ns, ends[1] - self.b.stimuli[j].t_ns
        if abs(at_a - at_b) <= self._timer_limit_ns(signal, i):
            return []
        a, b = (f"{WORDS[kind][value]} after {at / 1e9:.3f} s" for at in (at_a, at_b))
        return [self._fact("timer", subject, i, j, a, b, self._same_key(i))]

    def _is_key_of(self, circuit: str, number: int) -> bool:
        stimulus = self.a.stimuli[number]
        return stimulus.kind == PRESS and circuit in self.a.model.targets(stimulus.name)

    @staticmethod
    def _end_by_itself(record: Record, number: int, signal: str, value: float) -> int | None:
        """When its next change after a stimulus came, if to this value and with no stimulus to cause it."""
        course, since_ns = record.courses[signal], record.stimuli[number].t_ns + response_ns(record, signal)
        k = bisect_right(course.t_ns, since_ns)
        if k == len(course.t_ns) or course.values[k] != value:
            return None
        at_ns, clusters = course.t_ns[k], clusters_of(record, signal)
        from_ns = at_ns - response_ns(record, signal)
        near = bisect_right(record.stimuli, at_ns, key=lambda s: s.t_ns)
        while near and record.stimuli[near - 1].t_ns >= from_ns:
            near -= 1
            if record.stimuli[near].reached & clusters:
                return None
        return at_ns

    def _timer_limit_ns(self, signal: str, i: int) -> int:
        """Both timers' tolerance, or the time a box may take to wake, plus answer and jitter."""
        out = 0.0
        if self.a.stimuli[i].kind in (SUPPLY, WAKE):
            out = max(1000 * b.wake.within_s for b in self.a.spec.boxes.values())
        for cluster in clusters_of(self.a, signal):
            for name in self.a.model.clusters[cluster]:
                timer = self.a.spec.circuits[name].auto_off
                out = max(out, 2000 * timer.tolerance_s if timer else 0.0)
        respond = max(b.respond_ms for b in self.a.spec.boxes.values())
        return round((out + respond) * MS) + self._jitter_ns

    # ---- levels
    def _levels(self, signal: str) -> Iterator[Difference]:
        kind, _, subject = signal.partition(":")
        clusters = clusters_of(self.a, signal)
        for i, j in self._of(clusters):
            if self._is_blind(i, j, signal):
                continue
            ends = (
                self._end(self.a, i, self.effects_a[i], signal),
                self._end(self.b, j, self.effects_b[j], signal),
            )
            if ends[0] is None or ends[1] is None:
                continue
            if abs(ends[0] - ends[1]) > self._level_floor(signal, i, j):
                if (ends[0] > 0) != (ends[1] > 0) and f"state:{subject}" in self.signals:
                    continue  # told as a state
                a, b = f"{ends[0]:.1f} %", f"{ends[1]:.1f} %"
                yield self._fact(kind, subject, i, j, a, b, self._same_key(i))

    def _end(self, record: Record, number: int, effects: Effects, signal: str) -> float | None:
        """The level it came to rest at before the next stimulus; None when it was still moving."""
        span = effects.span_ns.get(signal)
        changes = effects.changes.get(signal, [])
        if span is None or span < 2 * STEADY_NS or (changes and span - changes[-1][0] < STEADY_NS):
            return None
        t_ns = record.stimuli[number].t_ns
        return changes[-1][1] if changes else record.courses[signal].at(t_ns)

    def _level_floor(self, signal: str, i: int, j: int) -> float:
        """Resolution of the reports; for a dimmer also what timing makes of its speed, and what the two
        levels lay apart before."""
        kind, _, subject = signal.partition(":")
        boxes = self.a.spec.boxes
        step = max(b.level_step_pct for b in boxes.values())
        floor = LEVEL_SLACK_COUNTS * step
        circuit = self.a.spec.circuits.get(subject) if kind == "level" else None
        if circuit is None or circuit.dim is None:
            return floor
        box, dim = boxes[circuit.box], circuit.dim
        speed = (100.0 - dim.min_pct) / dim.range_s
        held = self._held_ns(self.a, i) - self._held_ns(self.b, j)
        apart_s = (abs(held) + self._jitter_ns) / 1e9 + 2 * reaction_s(box)
        before = [r.courses[signal].at(r.stimuli[k].t_ns) or 0.0 for r, k in ((self.a, i), (self.b, j))]
        return floor + speed * apart_s + abs(before[0] - before[1]) * (min(before) > 0)

    @staticmethod
    def _held_ns(record: Record, number: int) -> int:
        """From the press of the key to its release; 0 where that is not what happened."""
        end = record.stimuli[number]
        if end.kind != RELEASE:
            return 0
        for other in reversed(record.stimuli[:number]):
            if other.name == end.name and other.kind == PRESS:
                return end.t_ns - other.t_ns
        return 0

    # ---- order
    def _orders(self) -> Iterator[Difference]:
        apart_ns = max(round(order_floor_ms(b, self._jitter_ns) * MS) for b in self.a.spec.boxes.values())
        states = [s for s in self.signals if s.startswith("state:")]
        box_of = {f"state:{c.name}": c.box for c in self.a.spec.circuits.values()}
        for i, j in ((p.a, p.b) for p in self.pairs):
            if self.a.stimuli[i].kind in (SUPPLY, WAKE):
                continue  # in which order boxes and their reports start is agreed nowhere
            first_a = {s: c[0][0] for s, c in self.effects_a[i].changes.items() if s in states}
            first_b = {s: c[0][0] for s, c in self.effects_b[j].changes.items() if s in states}
            for one, other in combinations(sorted(first_a.keys() & first_b.keys()), 2):
                gap_a, gap_b = first_a[other] - first_a[one], first_b[other] - first_b[one]
                if min(abs(gap_a), abs(gap_b)) <= apart_ns or (gap_a > 0) == (gap_b > 0):
                    continue
                if box_of[one] != box_of[other] or self._is_blind(i, j, one):
                    continue
                names = one.partition(":")[2], other.partition(":")[2]
                a, b = (f"{names[g < 0]} before {names[g > 0]}" for g in (gap_a, gap_b))
                yield self._fact("order", names[0], i, j, a, b, self._same_key(i))

    # ---- reported or not
    def _absent(self) -> Iterator[Difference]:
        for signal in sorted(self.a.courses.keys() & self.b.courses.keys()):
            seen = [bool(r.courses[signal].values) for r in (self.a, self.b)]
            if seen[0] != seen[1]:
                words = [f"{signal.partition(':')[0]} reported" if s else "not available" for s in seen]
                subject = signal.partition(":")[2]
                yield Difference("absent", subject, "", self.a.start_ns, self.b.start_ns, words[0], words[1])

    # ---- together
    def _changes(self, i: int, j: int, signal: str) -> tuple[list[Change], list[Change]]:
        """Both lists; where they differ, what came after the shorter of both spans is left out."""
        x = self.effects_a[i].changes.get(signal, [])
        y = self.effects_b[j].changes.get(signal, [])
        if _values(x) != _values(y):
            span = min(self.effects_a[i].span_ns.get(signal, 0), self.effects_b[j].span_ns.get(signal, 0))
            x, y = ([c for c in z if c[0] <= span] for z in (x, y))
        return x, y

    def _is_blind(self, i: int, j: int, signal: str) -> bool:
        for record, k, effects in ((self.a, i, self.effects_a), (self.b, j, self.effects_b)):
            start = record.stimuli[k].t_ns
            if record.stimuli[k].doubt:
                return True
            end = start + effects[k].span_ns.get(signal, 0)
            silent = not signal.startswith("boot:") and any(
                record.is_silent(box, start, end) for box in self._boxes_of(signal)
            )
            if silent or (record.blind and record.is_blind(start, end)):
                self.blind.add(signal.partition(":")[2])
                return True
        return False

    def _boxes_of(self, signal: str) -> set[str]:
        """Boxes on which the signal depends."""
        model, circuits = self.a.model, self.a.spec.circuits
        return {circuits[c].box for k in clusters_of(self.a, signal) for c in model.clusters[k]}

    def _same_key(self, i: int) -> int:
        key = self.a.stimuli[i].key
        return sum(self.a.stimuli[p.a].key == key for p in self.pairs)

    def _fact(self, kind: str, subject: str, i: int, j: int, a: str, b: str, of: int) -> Difference:
        left, right = self.a.stimuli[i], self.b.stimuli[j]
        return Difference(kind, subject, left.words(), left.t_ns, right.t_ns, a, b, 1, of)


_RANK = {
    k: n
    for n, k in enumerate(
        ("boot", "state", "timer", "order", "level", "fault", "lamp", "backlight", "absent")
    )
}


def reaction_s(box: Box) -> float:
    """How differently the same box may time the same thing: task and spacing of its reports, in seconds."""
    timing = box.frames_ms.get("level") or box.frames_ms.get("state")
    spacing = (timing.on_change_ms or timing.cycle_ms or 0.0) if timing else 0.0
    return (box.timing_ms.task + box.timing_ms.scan + spacing) / 1e3


def order_floor_ms(box: Box, jitter_ns: int) -> float:
    """Changes closer than this have no order that could be told from outside."""
    return jitter_ns / MS + 1e3 * reaction_s(box)


def _comes_to(record: Record, number: int, signal: str, changes: list[Change]) -> float | None:
    """What shows after the changes that followed a stimulus; None before the signal was first seen."""
    return changes[-1][1] if changes else record.courses[signal].at(record.stimuli[number].t_ns)


def _values(changes: list[Change]) -> list[float]:
    return [v for _, v in changes]


def _words(kind: str, changes: list[Change]) -> str:
    """`on, off 0.040 s later`."""
    if not changes:
        return "no change"
    names = WORDS[kind]
    out = [names.get(changes[0][1], f"{changes[0][1]:g}")]
    for (before, _), (t_ns, value) in pairwise(changes):
        out.append(f"{names.get(value, f'{value:g}')} {(t_ns - before) / 1e9:.3f} s later")
    return ", ".join(out[:4]) + (f" ... {len(out)} changes" if len(out) > 4 else "")


def _folded(found: list[Difference]) -> Iterator[Difference]:
    """Equal in kind, subject and stimulus: told once, with how often."""
    groups: dict[tuple[str, str, str], list[Difference]] = {}
    for difference in found:
        groups.setdefault((difference.kind, difference.subject, difference.stimulus), []).append(difference)
    for group in groups.values():
        first = min(group, key=lambda d: d.t_a_ns)
        yield replace(first, times=len(group))
