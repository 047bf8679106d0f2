"""What the judge hands on: verdict, discrepancies, scope."""

from __future__ import annotations

from dataclasses import dataclass, field

PASS, FAIL, INCONCLUSIVE = "pass", "fail", "inconclusive"


@dataclass(frozen=True, slots=True)
class Deviation:
    """One observation the spec does not allow, or a required one that never came.

    `kind`: unexpected | missing | late | level | current | restart | frame_missing | counter |
    seen (otherwise, by a person) | accepted (one that was accepted and should be no more). `t_ns` when
    noticed; `frame_index` the latest frame that showed the signal (None: none ever did); `cause` the
    stimulus before it, in words; `cause_t_ns` its instant.
    """

    kind: str
    signal: str
    subject: str
    t_ns: int
    expected: str
    seen: str
    cause: str = ""
    cause_t_ns: int | None = None
    cause_control: str = ""
    step: int | None = None
    frame_index: int | None = None
    evidence: str = ""


@dataclass(frozen=True, slots=True)
class Discrepancy:
    """A root deviation with what followed from it."""

    number: int
    subject: str
    root: Deviation
    consequences: tuple[Deviation, ...] = ()
    also: tuple[str, ...] = ()  # other circuits that deviated at the same stimulus


@dataclass(frozen=True, slots=True)
class Tolerated:
    """A discrepancy that was accepted: by whom, why, and until which day (YYYY-MM-DD)."""

    discrepancy: Discrepancy
    reason: str
    who: str
    expires: str


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something the bench could not see, send, decode or time; `reason` reads "inconclusive, because ..."."""

    t_ns: int
    subject: str
    reason: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """The worst of everything judged, and what it covers.

    `tested`: subject -> what was shown, in words. `not_tested`: subject -> why it was out of scope.
    `known_from_ns`: circuit -> instant from which its state was known.
    `detection`: signal kind -> words such as "a delay of 145 ms or more". `accepted`: what deviated and
    was accepted; the outcome is as if it had not.
    """

    outcome: str
    discrepancies: tuple[Discrepancy, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    scope: str = ""
    tested: dict[str, str] = field(default_factory=dict)
    not_tested: dict[str, str] = field(default_factory=dict)
    known_from_ns: dict[str, int] = field(default_factory=dict)
    detection: dict[str, str] = field(default_factory=dict)
    judged_samples: int = 0
    judge_version: str = ""
    accepted: tuple[Tolerated, ...] = ()


EXIT_STATUS = {PASS: 0, FAIL: 1, INCONCLUSIVE: 3}
