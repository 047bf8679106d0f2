"""A plan: what the bench will do, when, and what that covers. Plain data, made by bench.plan."""

from __future__ import annotations

from dataclasses import dataclass, field

from .event import BY_HAND

LOOK = "look"
VOLTS = "volts"
OVERLOAD = "overload"
OF_PERSON = (BY_HAND, LOOK, OVERLOAD)  # kinds of steps that only a person can do


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do `at_ms` after the plan's start.

    `kind`: press | release | sensor | supply | wake | wait; `name`, `value` as in core.event. Or silent, with
    value 1 until one of value 0: nothing is sent of `name`, which is `panel NAME`, `screen NAME`, or `sensors
    BOX` for the module that tells all sensors of a box; it is heard last, and first, at these instants.
    `volts` sets the supply to `value` mV; shed is what follows of it, value 1 begins and 0 ends: nothing is
    done. A person is asked for: by_hand, overload of a circuit, and look with `name` what at; `about` is then
    the question. Only in a replay: frame, with `name` the identifier, the data and 1 for an extended one, as
    `18FF2021#01FF#1`.
    `covers`: tags of the coverage this step earns (for a wait: what is being watched).
    """

    at_ms: float
    kind: str
    name: str
    value: int = 1
    about: str = ""
    covers: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Toured:
    """How one cluster of circuits is gone through: `by` transitions | pairs. `done` of `transitions` between
    `states` (0 where there are too many to count), or `done` pairs. `presses` of the plan, of which
    `optimum_presses` are the fewest that do the same; `time_ms` the least that it takes alone."""

    circuits: tuple[str, ...]
    by: str
    states: int
    transitions: int
    done: int
    presses: int
    optimum_presses: int
    time_ms: float


@dataclass(frozen=True, slots=True)
class Merged:
    """All tours side by side and nothing else take `merged_ms`. That cannot be less than `longest_ms`, the
    longest tour alone, nor than `spacing_ms`, which their stimuli need at the distance that the plan keeps
    between any two."""

    merged_ms: float
    longest_ms: float
    spacing_ms: float

    @property
    def ratio(self) -> float:
        """To the larger of what it cannot be less than."""
        return self.merged_ms / max(self.longest_ms, self.spacing_ms)


@dataclass(frozen=True, slots=True)
class Alike:
    """Two circuits that the plan cannot tell apart."""

    one: str
    other: str
    why: str


@dataclass(frozen=True, slots=True)
class Since:
    """What differs from an `other` spec, each difference in words, and the `circuits` it can have broken.
    Their part of the plan is over at `until_ms`, `whole` or as far as there was time."""

    other: str
    changes: tuple[str, ...]
    circuits: tuple[str, ...]
    until_ms: float = 0.0
    whole: bool = True


@dataclass(frozen=True, slots=True)
class Plan:
    """Steps in order of `at_ms`. `start`: woken | off (all functions off, positions known). `toured`: the
    clusters; `alike`: circuits that could be exchanged unnoticed. `uncovered`: of a plan for a given time,
    what the full one covers besides, by kind of fault. `since`: what was planned first, and why.
    `merged`: how well the tours go side by side, of a full plan."""

    title: str
    steps: tuple[Step, ...]
    duration_ms: float
    start: str = "off"
    seed: int = 0
    covered: tuple[str, ...] = ()
    not_tested: dict[str, str] = field(default_factory=dict)
    toured: tuple[Toured, ...] = ()
    alike: tuple[Alike, ...] = ()
    uncovered: tuple[str, ...] = ()
    since: Since | None = None
    merged: Merged | None = None
