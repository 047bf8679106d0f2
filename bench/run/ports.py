"""What a run needs of the rooms around it, no more."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from bench.core.entry import Entry
from bench.core.signal import Observation
from bench.core.verdict import Verdict


class Writes(Protocol):
    """A recorder: gives back the entry as recorded, which is what may be judged."""

    failed: str | None

    def write(self, entry: Entry) -> Entry: ...
    def add_to_header(self, **more: object) -> None: ...
    def close(self, **more: object) -> None: ...


class Judges(Protocol):
    """An assessor."""

    @property
    def reported(self) -> Mapping[str, Observation]: ...
    def feed(self, entry: Entry) -> None: ...
    def heard_ns(self, signal: str) -> int | None: ...
    def known(self, circuit: str) -> bool: ...
    def hidden(self) -> Mapping[str, tuple[float, float]]: ...
    @property
    def discrepancy_count(self) -> int: ...
    def finish(self) -> Verdict: ...
