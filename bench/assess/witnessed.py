"""The supply's readings beside what the boxes report: circuits whose switching they show, or do not.

Two witnesses that contradict each other do not say which of them errs, or whether the load hangs on another
supply: not witnessed is a doubt, never a discrepancy.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

from bench.core.entry import Answered, Asked, SupplyMeter, SupplyRead
from bench.core.event import BY_HAND
from bench.core.timeline import Steady
from bench.judge import Judge
from bench.judge.rules import MS
from bench.judge.witness import BELOW, NOT_WITNESSED, OVERLAPPED, UNCLEAR, WITNESSED, Look, Shown, Witness
from bench.loads import Load
from bench.spec.model import Spec
from bench.spec.profile import BenchProfile

from .agenda import FOREVER
from .coverage import Coverage
from .findings import Findings
from .persons import Persons

ALL = "the supply's current showed none of the switchings that it should: is it the one that feeds the boxes?"
ALONE = "no supply was read: that outputs do what their boxes report is these boxes' word alone"
UNSTATED = "the supply was read, but nothing states which step of current it shows (supply.detects_a)"
NO_LOAD = "no load on this bench"
WHY = {
    UNCLEAR: "the supply's current moved by something between what is due and nothing",
    OVERLAPPED: "others that changed or may have changed meanwhile hide it",
    BELOW: "too small a step for this supply",
    None: "never off and on for long enough to be read",
}
LEAST_OF_NONE = 3  # circuits not witnessed, and none that was: the witness itself is doubted
EXACT_PCT = 1.0
Standing = tuple[float, int]  # level in percent, and since when


class Witnessed:
    """Fed with readings; keeps what they showed of each circuit."""

    def __init__(
        self, spec: Spec, judge: Judge, persons: Persons, findings: Findings, profile: BenchProfile | None,
        jitter_ns: int,
    ) -> None:  # fmt: skip
        self._spec, self._judge, self._persons, self._findings = spec, judge, persons, findings
        self._loads = drawn_loads(spec, profile)
        self._settle_ns = {
            c.name: round(spec.boxes[c.box].settle_ms * MS) + jitter_ns for c in spec.circuits.values()
        }
        self._jitter_ns = jitter_ns
        self._witness: Witness | None = None
        self._lag_ns, self._not_before_ns = 0, -FOREVER
        self._waiting: tuple[SupplyRead, dict[str, Standing], dict[str, float]] | None = None
        self._asked: Asked | None = None
        self._moved_ns: dict[str, int] = {}  # circuit -> when a person was done with it
        self._unsure: set[str] = set()  # circuits of which nobody knows whether they are by hand
        self.found: list[Shown] = []

    # ---- what is told
    def meter(self, mark: SupplyMeter) -> None:
        """From here on readings count, as good as this says."""
        self._witness, self._lag_ns = Witness(self._loads, mark.detects_a), round(mark.lag_ms * MS)

    def asked(self, mark: Asked) -> None:
        """A person is about to work a circuit by hand."""
        if mark.what == BY_HAND:
            self._asked = mark

    def answered(self, mark: Answered) -> None:
        """Told after `Persons`, who know what became of it."""
        asked, self._asked = self._asked, None
        if asked is None or asked.number != mark.number:
            return
        self._moved_ns[asked.name] = mark.t_ns
        done = mark.answer == "done" and (asked.name in self._persons.by_hand) is bool(asked.value)
        (self._unsure.discard if done else self._unsure.add)(asked.name)

    def begin_anew(self) -> None:
        """The supply was switched, or the bench did not see: what came before is no measure any more."""
        self._waiting = None
        if self._witness is not None:
            self._witness.begin_anew()

    def late(self, t_ns: int) -> None:
        """Stamps up to `t_ns` may be wrong: no reading counts until what was switched then has settled."""
        self._waiting = None
        self._not_before_ns = t_ns + self._lag_ns + max(self._settle_ns.values(), default=0)

    def forget(self) -> None:
        """What was shown so far does not count."""
        self.begin_anew()
        self.found.clear()

    def read(self, mark: SupplyRead) -> None:
        """One reading. It is taken once the next one is there: by then everything before it was told."""
        if self._witness is None:
            return
        standing = self._standing()
        self._take(standing)
        if mark.from_ns < self._not_before_ns:
            return
        start_ns = mark.from_ns - self._lag_ns
        levels = {
            name: level
            for name, (level, since_ns) in standing.items()
            if since_ns + self._settle_ns[name] <= start_ns
        }
        self._waiting = mark, standing, levels

    def _take(self, standing: Mapping[str, Standing]) -> None:
        if self._waiting is None or self._witness is None:
            return
        (mark, before, levels), self._waiting = self._waiting, None
        for name in list(levels):
            now = standing.get(name)
            if now is None or (now != before[name] and now[1] <= mark.t_ns + self._jitter_ns):
                del levels[name]
        self.found += self._witness.take(Look(mark.from_ns, mark.t_ns, mark.volts, mark.amps, levels))

    def _standing(self) -> dict[str, Standing]:
        """Circuit -> its output and since when, of those that stand still and are known, and shown."""
        out: dict[str, Standing] = {}
        by_hand = self._persons.by_hand
        for cluster in self._judge.clusters:
            if cluster.lost_until is not None or not cluster.nothing_owed():
                continue
            for name in cluster.circuits:
                found = cluster.settled_course(name)
                if found is None or name in self._unsure or not isinstance(found[0], Steady):
                    continue
                course, since_ns, _ = found
                if name in by_hand:
                    out[name] = 100.0, max(since_ns, self._moved_ns.get(name, since_ns))
                elif course.hi_pct - course.lo_pct <= EXACT_PCT:
                    level = round((course.lo_pct + course.hi_pct) / 2, 1)
                    out[name] = level, max(since_ns, self._moved_ns.get(name, since_ns))
        return out

    # ---- the end
    def conclude(self, coverage: Coverage) -> None:
        """What the supply says of each circuit: shown, or a doubt."""
        if self._witness is None:
            coverage.unwitnessed = UNSTATED if self._findings.supply_watched else ALONE
            return
        if self._waiting is not None:
            self._take(self._waiting[1])
        self.found += self._witness.close()
        for shown in self.found:
            if shown.result == WITNESSED:
                coverage.witnessed.setdefault(shown.circuits[0], Counter())[shown.on] += 1
        coverage.unwitnessed = self._unwitnessed(coverage)
        denied = [s for s in self.found if s.result == NOT_WITNESSED]
        names = {n for s in denied for n in s.circuits}
        if len(names) >= LEAST_OF_NONE and not coverage.witnessed:
            self._findings.doubt("supply", ALL, denied[0].t_ns)
            return
        said: set[tuple[tuple[str, ...], bool]] = set()
        alone = {s.circuits[0] for s in denied if len(s.circuits) == 1}
        for shown in denied:
            explained = len(shown.circuits) > 1 and not alone.isdisjoint(shown.circuits)
            if (shown.circuits, shown.on) not in said and not explained:
                said.add((shown.circuits, shown.on))
                self._findings.doubt(", ".join(shown.circuits), self._words(shown), shown.t_ns)

    def _unwitnessed(self, coverage: Coverage) -> str:
        """Circuits of which the readings could tell nothing, and why; empty where there are none."""
        why: dict[str, list[str]] = {}
        seen: dict[str, set[str]] = {}
        for shown in self.found:
            for name in shown.circuits:
                seen.setdefault(name, set()).add(shown.result)
        for name in self._spec.circuits:
            results = seen.get(name, set())
            if name in coverage.witnessed or NOT_WITNESSED in results:
                continue
            reason = next((r for r in (UNCLEAR, OVERLAPPED, BELOW) if r in results), None)
            said = NO_LOAD if name not in self._loads else WHY[reason]
            why.setdefault(said, []).append(name)
        return "; ".join(f"{', '.join(names)}: {said}" for said, names in why.items())

    def _words(self, shown: Shown) -> str:
        same = [s for s in self.found if (s.circuits, s.on) == (shown.circuits, shown.on)]
        times = sum(s.result == NOT_WITNESSED for s in same)
        told = sum(s.result in (NOT_WITNESSED, WITNESSED) for s in same)
        way, moved = ("on", "rise") if shown.on else ("off", "fall")
        which = "one of these" if len(shown.circuits) > 1 else "it"
        seen_a = round(shown.moved_a, 2) + 0.0
        return (
            f"not witnessed: {which} was switched {way}, and the supply's current did not {moved} as it "
            f"must, by {shown.due_a:.1f} A or more ({seen_a:g} A; {times} of {told} times)"
        )

    @property
    def limit_words(self) -> str:
        """The smallest step that would be seen; empty without a meter."""
        if self._witness is None:
            return ""
        return f"a step of {self._witness.limit_a:g} A or more that nothing else hides; no timing"


def drawn_loads(spec: Spec, profile: BenchProfile | None) -> dict[str, Load]:
    """What hangs on each circuit of this bench, whether or not its box reports currents."""
    out: dict[str, Load] = {}
    for name, circuit in spec.circuits.items():
        box = spec.boxes[circuit.box]
        real = profile.load_of(spec, name) if profile else "as_spec"
        if real == "none":
            continue
        kind, rated = circuit.load, circuit.rated_a
        if not isinstance(real, str):
            kind, rated = "resistive", box.supply_v / real.ohm
        out[name] = Load(kind, rated, box.supply_v, circuit.tol_pct)
    return out
