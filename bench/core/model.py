"""How the judge sees a reference model. `bench.oracle` provides one; the judge never imports it."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import Protocol

from .event import Event
from .timeline import Course

State = Hashable  # one product of bounded sets for one cluster; opaque to the judge
Cause = Hashable  # what `route` tells one cluster; opaque to the judge


class Model(Protocol):
    """Reference behaviour of a boat, cut into clusters that influence each other.

    All functions are pure: they return new states. A cluster is known when it has one state whose
    courses have equal ends. Instants are integer nanoseconds.
    """

    @property
    def clusters(self) -> tuple[tuple[str, ...], ...]:
        """Circuit names of each cluster; every circuit is in exactly one."""
        ...

    @property
    def indicators(self) -> Mapping[str, tuple[int, ...]]:
        """Signal name (lamp:, backlight:, fault:) -> clusters it depends on."""
        ...

    def unknown(self, cluster: int, t_ns: int) -> list[State]:
        """States that hold everything possible at `t_ns`."""
        ...

    def route(self, event: Event, states: Sequence[Sequence[State]]) -> list[tuple[int, Cause]]:
        """The clusters an event reaches and what it means to each.

        `states[k]`: all states of cluster k, already advanced to the event's instant; read only to
        answer questions across clusters (is a scene active?). An unanswerable question is carried
        inside the cause, and `step` then returns both branches.
        """
        ...

    def step(self, cluster: int, state: State, cause: Cause) -> list[State]:
        """States after the cause; more than one where it depends on something unknown."""
        ...

    def next_due(self, cluster: int, state: State) -> tuple[int, int] | None:
        """Earliest and latest instant of the next change that needs no event (timer end, start of
        a ramp, spent key); None when nothing is under way."""
        ...

    def next_end(self, cluster: int, state: State) -> tuple[int, int] | None:
        """As `next_due`, without presses that only wait to have lasted long enough: their order is
        that of their stimuli."""
        ...

    def fire(self, cluster: int, state: State) -> list[State]:
        """States after that change has happened."""
        ...

    def courses(self, cluster: int, state: State) -> tuple[Course, ...]:
        """What each circuit of the cluster does from now on, in the order of `clusters[cluster]`."""
        ...

    def keep(self, cluster: int, state: State, signal: str, lo: float, hi: float) -> State | None:
        """The part of `state` in which `signal` (level:, state: or fault:) now lies in [lo, hi];
        None when there is none. Only called when the signal has been steady long enough."""
        ...

    def hidden(self, cluster: int, state: State) -> Mapping[str, tuple[float, float]]:
        """Hidden variables and their possible range, named for people: "position wipers"."""
        ...

    def targets(self, control: str) -> tuple[str, ...]:
        """Circuits the control's function may write directly; empty for one outside the box."""
        ...

    def adopt(self, cluster: int, t_ns: int, seen: Mapping[str, float]) -> list[State]:
        """After a discrepancy: states that agree with what was seen (signals level:, state:,
        fault:, sensor:), everything hidden unknown."""
        ...

    def indicator(self, signal: str, states: Sequence[Sequence[State]]) -> tuple[tuple[float, float], ...]:
        """All values the signal may show now, as intervals; one of equal ends when known."""
        ...
