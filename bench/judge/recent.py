"""What a stimulus means where one cluster must ask another, and the order of things is not defined."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from bench.core.event import Event
from bench.core.model import Cause, Model

from .cluster import ClusterJudge


class _Took(NamedTuple):
    event: Event
    number: int
    reached: frozenset[int]


class Recent:
    """Routes events, and remembers those that a close one may change the meaning of."""

    def __init__(self, model: Model, clusters: Sequence[ClusterJudge]) -> None:
        self._model, self._clusters = model, clusters
        self._took: list[_Took] = []

    def route(self, event: Event) -> list[tuple[int, Cause]]:
        """What the event means to each cluster it reaches; a question that is open because of the order
        of close stimuli or of the end of a timer near by stays open in it."""
        states = [[w.state for w in c.worlds] for c in self._clusters]
        routed = self._model.route(event, states)
        if len(routed) < 2:
            return routed
        for i, _ in routed:
            states[i] = self._clusters[i].forks.near_states(self._clusters[i].worlds, event.t_ns)
        return self._model.route(event, states)

    def forget(self) -> None:
        """What follows has a defined order with what was."""
        self._took.clear()

    def took(self, event: Event, number: int, routed: Sequence[tuple[int, Cause]]) -> None:
        """After the clusters took an event: what does it change of those before it?"""
        reached = frozenset(i for i, _ in routed)
        kept = []
        for took in self._took:
            if not any(self._near(i, event.t_ns - took.event.t_ns) for i in took.reached):
                continue
            kept.append(took)
            if took.event.name != event.name and took.reached & reached:
                for i, cause in self.route(took.event):
                    self._clusters[i].rethink(took.number, [cause], event.t_ns)
        if len(reached) > 1:
            kept.append(_Took(event, number, reached))
        self._took = kept

    def _near(self, cluster: int, span_ns: int) -> bool:
        forks = self._clusters[cluster].forks
        return span_ns < forks.order_ns
