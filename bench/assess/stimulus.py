"""What the bench did, as reports name it."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True)
class Stimulus:
    """One cause: a key, sensor, supply or wake event found in the stream.

    `number` from 1; `frame_index` its frame in the recording (None for a mark); `clusters` those it
    reached; `doubt` why it may not have reached the box.
    """

    number: int
    t_ns: int
    kind: str
    name: str
    value: int
    step: int | None = None
    about: str = ""
    frame_index: int | None = None
    clusters: tuple[int, ...] = ()
    doubt: str = ""
    maybe: bool = False  # it may not have happened
    unconfirmed: bool = False  # a link that confirms has not yet done so
    due_ns: int = 0  # by then its effects are shown
    found: bool = field(default=False)  # something deviated after it

    def words_in_full(self) -> str:
        """`panel helm 1 pressed in scenario leaving`, where it was part of one."""
        part = self.about.partition(": ")[0] if self.about.startswith("scenario ") else ""
        return f"{self.words()} in {part}" if part else self.words()

    def words(self) -> str:
        """`panel helm 1 pressed`."""
        if self.kind == "press":
            return f"{self.name} pressed"
        if self.kind == "release":
            return f"{self.name} released"
        if self.kind == "sensor":
            return f"sensor {self.name} {'active' if self.value else 'at rest'}"
        if self.kind == "supply":
            return f"supply of {self.name} switched {'on' if self.value else 'off'}"
        if self.kind == "wake":
            return f"box {self.name} woke"
        if self.kind == "lost":
            return f"{self.name} {'lost' if self.value else 'back'}"
        if self.kind == "trip":
            return f"{self.name} overloaded"
        if self.kind == "shed":
            return f"supply of {self.name} {'low' if self.value else 'good again'} for long enough"
        if self.kind == "by_hand":
            told = f"{self.name} {'worked by hand' if self.value else 'back from by hand'}"
            return f"{told}, as a person says" if self.maybe else told
        return f"{self.kind} {self.name} {self.value}"
