"""What works together once judging has begun, for those who share it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from bench.core.model import Model
from bench.core.signal import Observation
from bench.definitions import Definitions
from bench.judge import Judge, SignalRule
from bench.spec.model import Spec

from .boots import Boots
from .causes import Causes
from .ears import Ears
from .findings import Findings
from .lost import LostNodes
from .persons import Persons
from .volts import Volts
from .witnessed import Witnessed


@dataclass(frozen=True, slots=True)
class Parts:
    """`reported`: signal -> what was reported last. `frame_of`: message -> its latest frame; both are kept by
    the assessor. `own_session`: the bench recorded it itself. `complete`: the link would tell of any frame
    it lost."""

    spec: Spec
    definitions: Definitions
    model: Model
    judge: Judge
    rules: Mapping[str, SignalRule]
    causes: Causes
    findings: Findings
    lost: LostNodes
    boots: Boots
    ears: Ears
    persons: Persons
    witnessed: Witnessed
    volts: Volts
    reported: dict[str, Observation]
    frame_of: Mapping[str, int]
    jitter_ns: int
    own_session: bool
    complete: bool
