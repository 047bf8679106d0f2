"""A person at the box: what is known of its clusters before and after."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from bench.core.event import Event
from bench.core.model import Model, State

from .cluster import ClusterJudge

PERSON = "a person at the box"  # holds a cluster as a key that is down does


class Work:
    """Holds clusters while a person works at their box, and takes them up again."""

    def __init__(self, model: Model, clusters: Sequence[ClusterJudge]) -> None:
        self._model, self._clusters = model, clusters

    def begin(self, clusters: Iterable[int]) -> dict[int, State | None]:
        """Nothing of these clusters is adopted until `end`. Their states before, as far as known."""
        before = {i: self._clusters[i].single_state() for i in clusters}
        for i in before:
            self._clusters[i].held.add(PERSON)
        return before

    def end(
        self, before: Mapping[int, State | None], event: Event | None, number: int, t_ns: int
    ) -> tuple[int, ...]:
        """`event` has happened to the states `before`; None: nobody knows what, only that `number` was said
        (0: nothing was). Returns the clusters it reached."""
        now: list[list[State]] = [[w.state for w in c.worlds] for c in self._clusters]
        for i, state in before.items():
            cluster = self._clusters[i]
            undisturbed = PERSON in cluster.held and cluster.lost_until is not None
            cluster.held.discard(PERSON)
            now[i] = [state] if state is not None and undisturbed else []
        routed = [] if event is None else [(i, c) for i, c in self._model.route(event, now) if now[i]]
        for i, cause in routed:
            now[i] = [after for s in now[i] for after in self._model.step(i, s, cause)]
        for i in before:
            if event is None or not now[i]:
                self._clusters[i].blame(number, t_ns)
                self._clusters[i].lose(t_ns)
            else:
                self._clusters[i].resume(now[i], number, t_ns)
        return tuple(i for i, _ in routed)
