"""The one ordered stream that the judge may use. An entry is a Frame or one of these marks.

Marks are written to marks.jsonl with `kind` from MARKS; frames go to frames.log.
"""

from __future__ import annotations

from typing import NamedTuple

from .frame import Frame


class Confirmed(NamedTuple):
    """The adapter or bus confirmed the send of the `tag`-th sent frame (counted from 0) at `t_ns`."""

    t_ns: int
    tag: int


class Refused(NamedTuple):
    """The send of frame `tag` was refused or never confirmed; `reason` in words."""

    t_ns: int
    tag: int
    reason: str


class Dropped(NamedTuple):
    """Frames or bytes were lost at `where` (adapter, kernel, queue, slcan text): `lost` more."""

    t_ns: int
    where: str
    lost: int


class Alive(NamedTuple):
    """The reader was alive: everything that arrived before `t_ns` is in the stream."""

    t_ns: int


class LinkLost(NamedTuple):
    """The link ended (`reason`); nothing after `t_ns` was seen."""

    t_ns: int
    reason: str


class HostLate(NamedTuple):
    """The host did not run the bench for `late_ms`: windows that touch it are not judged."""

    t_ns: int
    late_ms: float


class AdapterLate(NamedTuple):
    """What came in the `late_ms` before may have been on the bus up to so much earlier than its stamp: the
    adapter did not answer in time and may have held it back. Windows that touch it are not judged."""

    t_ns: int
    late_ms: float


class SupplySwitched(NamedTuple):
    """The bench switched a box's supply: `on` 1 or 0."""

    t_ns: int
    box: str
    on: int


class SupplyConfirmed(NamedTuple):
    """The supply of a box says that it is as it was switched last (`on` 1 or 0), and measures so."""

    t_ns: int
    box: str
    on: int


class SupplyRead(NamedTuple):
    """The supply's own reading at its terminals, taken some time from `from_ns` to `t_ns`."""

    t_ns: int
    from_ns: int
    volts: float
    amps: float


class SupplyMeter(NamedTuple):
    """What is stated of the supply's readings: a step of `detects_a` shows in them for sure, and what one
    shows is at most `lag_ms` older than the asking for it."""

    t_ns: int
    detects_a: float
    lag_ms: float


class SupplySet(NamedTuple):
    """The bench sets the supply to `volts` from here on; no sooner did it begin to move."""

    t_ns: int
    volts: float


class SupplyReached(NamedTuple):
    """The supply measures the `volts` that it was set to last, but for `off_v`."""

    t_ns: int
    volts: float
    off_v: float


class SupplyTrouble(NamedTuple):
    """From `since_ns` on the supply was not known to be as it should; the run ends by it."""

    t_ns: int
    since_ns: int
    reason: str


class StepMark(NamedTuple):
    """Step number `step` of the plan begins; `about` is its text for people. `phase`: home, test, off."""

    t_ns: int
    step: int
    about: str
    phase: str = "test"


class Asked(NamedTuple):
    """A person is asked to work a circuit by hand (`what` by_hand: `name` its circuit, `value` 1 by hand, 0
    back), to overload one for a moment (overload) or to look or listen (look: `name` what at). `number`
    counts the questions from 1."""

    t_ns: int
    number: int
    what: str
    name: str
    value: int
    question: str


class Answered(NamedTuple):
    """What became of question `number`: done | not_so (done, and seen to be otherwise) | skipped |
    no_answer; `comment` in the person's words. By `t_ns` the boxes had time to report what was done."""

    t_ns: int
    number: int
    answer: str
    comment: str = ""


class Started(NamedTuple):
    """Judging starts here; `jitter_ms` was frozen before this instant from `evidence`.

    `complete`: 1 when the link would tell of every frame it lost; `timely`: 1 when it would tell of every
    stamp later than the jitter.
    """

    t_ns: int
    jitter_ms: float
    evidence: str
    complete: int = 0
    timely: int = 0


class Ended(NamedTuple):
    """The run ended: `reason` is complete | interrupted | link lost | discrepancy limit ..."""

    t_ns: int
    reason: str


Mark = (
    Confirmed
    | Refused
    | Dropped
    | Alive
    | LinkLost
    | HostLate
    | AdapterLate
    | SupplySwitched
    | SupplyConfirmed
    | SupplyRead
    | SupplyMeter
    | SupplySet
    | SupplyReached
    | SupplyTrouble
    | StepMark
    | Asked
    | Answered
    | Started
    | Ended
)
Entry = Frame | Mark
MARKS: dict[str, type[Mark]] = {
    "confirmed": Confirmed,
    "refused": Refused,
    "dropped": Dropped,
    "alive": Alive,
    "link_lost": LinkLost,
    "host_late": HostLate,
    "adapter_late": AdapterLate,
    "supply_switched": SupplySwitched,
    "supply_confirmed": SupplyConfirmed,
    "supply_read": SupplyRead,
    "supply_meter": SupplyMeter,
    "supply_set": SupplySet,
    "supply_reached": SupplyReached,
    "supply_trouble": SupplyTrouble,
    "step": StepMark,
    "asked": Asked,
    "answered": Answered,
    "started": Started,
    "ended": Ended,
}
KIND_OF: dict[type[Mark], str] = {cls: kind for kind, cls in MARKS.items()}
