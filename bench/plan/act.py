"""What scripts want done, one act after the other, and the jobs that they make up."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Mapping
from dataclasses import dataclass, field, replace
from math import inf

BURST_MS = 5.0
NEVER, LOOSELY, STRICTLY = "never", "loosely", "strictly"
# of each rank: tours, rules, dimmers, what needs several, other company, what is spared, waking up
STAGES = (0, 1, 1, 2, 3, 3, 3, 4, 5, 6)
WOBBLE_MS, WOBBLE_STEP = 18, 7  # 0..17 ms, each in turn
WOBBLE_MEAN_MS = (WOBBLE_MS - 1) / 2


@dataclass(frozen=True, slots=True)
class Act:
    """One thing a script wants next; it is resumed `then_ms` after it happened.

    `kind` as in core.plan.Step; a wait of value 1 is the box `name` waking up by itself. `urgent`
    acts (releases) go before others, the most urgent first. `holds`: asked when it is done, as it may have
    had to wait; where it does not hold, nothing is covered. `hushes`: what its script keeps silent from soon
    after it on, for how many ms from now: nobody else may use its keys until it is heard again. `as_tap`:
    press and release of a key that acts as it goes down: where it comes up late, nothing else is later.
    `opens`: keys that go down right after it, which must be free to as well. `reaches`: the clusters that it
    is about, where these are not all of its job. `yields`: where it cannot be done soon, it is not done at
    all, and its script goes on; `holds` is not asked then. `within_ms`: a key that must be up again so soon.
    """

    kind: str
    name: str
    value: int
    then_ms: float
    about: str = ""
    covers: tuple[str, ...] = ()
    urgent: int = 0
    holds: Callable[[], bool] | None = None
    hushes: tuple[str, float] | None = None
    as_tap: bool = False
    opens: tuple[str, ...] = ()
    more: tuple[Act, ...] = ()
    reaches: frozenset[int] | None = None
    yields: bool = False
    within_ms: float = inf

    def along(self, others: Iterable[Act]) -> Act:
        """This and then the others, BURST_MS apart."""
        return replace(self, more=tuple(others))


Script = Generator[Act, None, None]


@dataclass(frozen=True, slots=True)
class Job:
    """A script and the clusters nobody else may touch while it runs. Smaller `rank` goes first. `time_ms`:
    how long it takes at least, where that is known; of two that want to go on the longer one goes first.
    `tests`: the clusters that it is about, where it holds others besides. `first`: goes before all that is
    not. `uncut`: once it has begun it is not cut short. `passes`: jobs that wait before it and cannot begin
    sooner than it ends; it keeps out of the way of all others. `by_ms`: when it has not begun by then nothing
    waits for it. `late`: begins after all that is not."""

    title: str
    clusters: frozenset[int]
    script: Callable[[], Script]
    rank: int = 0
    time_ms: float = 0.0
    tests: frozenset[int] = frozenset()
    first: bool = False
    uncut: bool = False
    passes: frozenset[str] = frozenset()
    by_ms: float = inf
    late: bool = False

    @property
    def stage(self) -> int:
        """Jobs of a cluster come in this order; those of one stage in any."""
        return STAGES[self.rank] if self.rank >= 0 else self.rank


@dataclass(frozen=True)
class Haste:
    """`tails_ms`: title of a job -> how long it and what must wait for it take at least. `reserves`: the one
    with least time to lose waits for nobody, or at least none of its presses does."""

    tails_ms: Mapping[str, float] = field(default_factory=dict)
    reserves: str = NEVER

    def tail_ms(self, job: Job) -> float:
        """Of one job; its own time where nothing more is known."""
        return self.tails_ms.get(job.title, job.time_ms)

    def turn(self, job: Job) -> tuple[bool, int, float]:
        """Smaller begins earlier."""
        if not self.tails_ms:
            return job.late, job.rank, 0.0
        return job.late, job.stage, -self.tails_ms.get(job.title, 0.0)
