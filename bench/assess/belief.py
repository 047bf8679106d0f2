"""What is believed of every circuit at one moment, and why."""

from __future__ import annotations

from dataclasses import dataclass, field

from bench.judge.cluster import ClusterJudge
from bench.judge.trace import FOREVER, Output

from .assessor import Assessor
from .stimulus import Stimulus

SHOWN = ("state", "level", "fault", "current")


@dataclass(frozen=True, slots=True)
class Report:
    """The latest report of one signal; `age_ns` before the moment."""

    signal: str
    value: float | None
    age_ns: int
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Owed:
    """A change that has yet to be shown: what, by which signal, by when at the latest."""

    signal: str
    expected: str
    until_ns: int


@dataclass(frozen=True, slots=True)
class Belief:
    """Of one circuit. `expected`: every output it may have, in words; `known`: there is one, and it is
    exact. `why`: in words. `held`: keys of its controls that are down. `together`: circuits that hang
    together with it. `hidden`: what no frame shows, with its possible range. `reached`: the latest
    stimulus that reached them.
    """

    circuit: str
    expected: tuple[str, ...]
    known: bool
    why: str
    possibilities: int
    reports: tuple[Report, ...] = ()
    owed: tuple[Owed, ...] = ()
    reached: Stimulus | None = None
    held: tuple[str, ...] = ()
    hidden: dict[str, tuple[float, float]] = field(default_factory=dict)
    together: tuple[str, ...] = ()


def beliefs(assessor: Assessor) -> list[Belief]:
    """Of every circuit, at the instant that the assessor has reached. Empty before judging began."""
    judge = assessor.judge
    if judge is None:
        return []
    found = {c: _belief(assessor, cluster, c) for cluster in judge.clusters for c in cluster.circuits}
    return [found[name] for name in assessor.spec.circuits if name in found]


def _belief(assessor: Assessor, cluster: ClusterJudge, circuit: str) -> Belief:
    place = cluster.circuits.index(circuit)
    words = []
    for world in cluster.worlds:
        value = world.traces[place].last.value
        assert isinstance(value, Output)
        words.append(value.words())
    return Belief(
        circuit=circuit,
        expected=tuple(dict.fromkeys(words)),
        known=cluster.known(),
        why=_why(cluster),
        possibilities=len(cluster.worlds),
        reports=_reports(assessor, circuit),
        owed=_owed(cluster, place),
        reached=_reached(assessor, cluster.number),
        held=tuple(sorted(cluster.held & assessor.held_keys)),
        hidden=_hidden(assessor, cluster),
        together=tuple(c for c in cluster.circuits if c != circuit),
    )


def _why(cluster: ClusterJudge) -> str:
    if cluster.asleep:
        return f"not followed: box {', '.join(sorted(cluster.asleep))} is dark or just waking"
    if cluster.mute:
        return f"not followed: nothing is heard of box {', '.join(sorted(cluster.mute))}"
    if cluster.lost_until is not None and cluster.held:
        return f"not followed: taken up anew once {', '.join(sorted(cluster.held))} is let go"
    if cluster.lost_until is not None:
        return "not followed: taken up anew once it has settled and been reported"
    if not cluster.known():
        count = len(cluster.worlds)
        return f"{count} possibilities are left" if count > 1 else "not narrowed by a report yet"
    return "everything that was reported agrees with one state"


def _reports(assessor: Assessor, circuit: str) -> tuple[Report, ...]:
    out = []
    for kind in SHOWN:
        seen = assessor.reported.get(f"{kind}:{circuit}")
        at_ns = assessor.heard_ns(f"{kind}:{circuit}")
        if seen is not None and at_ns is not None:
            out.append(Report(seen.signal, seen.value, assessor.t_ns - at_ns, seen.reason))
    return tuple(out)


def _owed(cluster: ClusterJudge, place: int) -> tuple[Owed, ...]:
    """What each of the possibilities still owes: the latest deadline of each change."""
    found: dict[tuple[str, str], int] = {}
    for world in cluster.worlds:
        for signal, (at, watch) in world.watches.items():
            for segment in watch.owed if at == place else ():
                until = segment.switch.hi + segment.patience_ns + watch.rule.deadline_ns
                key = signal, segment.value.words()
                found[key] = max(until, found.get(key, -FOREVER))
    return tuple(Owed(signal, words, until) for (signal, words), until in found.items())


def _reached(assessor: Assessor, number: int) -> Stimulus | None:
    return next((s for s in reversed(assessor.stimuli) if number in s.clusters), None)


def _hidden(assessor: Assessor, cluster: ClusterJudge) -> dict[str, tuple[float, float]]:
    out: dict[str, tuple[float, float]] = {}
    for world in cluster.worlds:
        for name, (lo, hi) in assessor.model.hidden(cluster.number, world.state).items():
            low, high = out.get(name, (lo, hi))
            out[name] = min(low, lo), max(high, hi)
    return out
