"""What sensors say, for clusters that are taken up anew."""

from __future__ import annotations

from collections.abc import Sequence

from .cluster import ClusterJudge


class Sensors:
    """Keeps what each sensor said last, and tells the clusters where the box surely takes it so."""

    def __init__(self, clusters: Sequence[ClusterJudge]) -> None:
        self._clusters = clusters
        self._said: dict[str, float] = {}

    def said(self, name: str, value: int) -> None:
        """The box was told of it."""
        self._said[name] = float(value)
        self.heard(name)

    def heard(self, name: str) -> None:
        """What it said last, if anything, is how the box takes it."""
        if name in self._said:
            for cluster in self._clusters:
                cluster.seen[f"sensor:{name}"] = self._said[name]

    def unsure(self, name: str) -> None:
        """What it said last says nothing of how the box takes it, until it is heard again."""
        for cluster in self._clusters:
            cluster.seen.pop(f"sensor:{name}", None)

    def forget(self, name: str) -> None:
        """What it said last is not known any more."""
        self._said.pop(name, None)
        self.unsure(name)
