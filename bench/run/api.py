"""One call for a whole run; what the command line, the pytest plugin and tests use."""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from bench.assess import Assessor
from bench.core.clock import Clock, SystemClock, utc_text
from bench.core.errors import Complaint, HardstandError, InternalError
from bench.core.link import Link
from bench.core.plan import Plan
from bench.definitions import Definitions
from bench.link.open import link_from_text
from bench.link.priority import raised
from bench.oracle import Oracle
from bench.plan import make_plan
from bench.plan.by_hand import without_person
from bench.rig import Setting, SuppliedLink, load_dialect, open_supply
from bench.session import Recorder
from bench.session.recorder import FLUSH_NS
from bench.spec.model import Spec
from bench.spec.profile import BenchProfile

from .allowed import Allowed
from .conductor import Conductor, Gate, Progress, no_progress
from .limits import limits_of, refuse_too_long
from .off_build import build, would_stay_on
from .operator import LIMIT_S, Operator
from .ports import Writes
from .result import RunResult
from .session_files import header, write_copies
from .stop import StopFlag
from .supply_limit import limited, need_of, refuse_unmovable
from .unrecorded import Unrecorded

FASTER_SWITCH_S = 0.0005  # between conductor and link thread: a late stamp is a blind spot


@dataclass(frozen=True, slots=True)
class Boat:
    """A spec with its definitions, and the bench profile where there is one."""

    spec: Spec
    definitions: Definitions
    profile: BenchProfile | None = None
    profile_text: str | None = None


VIRTUAL_FLUSH_NS = 20 * FLUSH_NS  # two seconds of a virtual clock are some ten milliseconds


@dataclass(frozen=True, slots=True)
class SupplyWish:
    """The supply that feeds all boxes: its port, what it is set to, its command words."""

    port: str
    setting: Setting
    dialect: str = "scpi"


@dataclass(frozen=True, slots=True)
class Wishes:
    """How to run. `plan`: None makes the simple one. `out`: the session's folder, new or empty; None
    records nothing. `facts`: more for session.json. `guard`: for real links only. `gate`: asked before each
    step. `operator`: who is asked for what only a person can do, with so many seconds to answer; None:
    unattended, that is not tested."""

    short: bool = False
    seed: int = 0
    plan: Plan | None = None
    out: Path | None = None
    until_first: bool = False
    guard: bool = False
    gate: Gate | None = None
    operator: Operator | None = None
    answer_within_s: float = LIMIT_S
    supply: SupplyWish | None = None
    facts: Mapping[str, object] = field(default_factory=dict)


def run_link(
    boat: Boat,
    link_text: str,
    wishes: Wishes,
    *,
    stop: StopFlag | None = None,
    progress: Progress = no_progress,
) -> RunResult:
    """A run in real time on `slcan:PORT` or `INTERFACE:CHANNEL`, with a guard where there is a session.

    Blocks: for the plan's duration and some seconds. Raises UsageError, BenchError before the first
    stimulus; later troubles end in the verdict.
    """
    clock = SystemClock()
    link = link_from_text(link_text, clock)
    stop = StopFlag() if stop is None else stop
    wishes = with_supply_limit(boat, wishes)
    if wishes.supply is not None:
        link = _supplied(link, wishes.supply, boat, clock, stop)
    with _quiet_process(), raised() as scheduling:
        wishes = replace(wishes, facts={**wishes.facts, "scheduling": scheduling})
        return run_on(boat, link, clock, wishes, adapter=link_text, stop=stop, progress=progress)


def with_supply_limit(boat: Boat, wishes: Wishes) -> Wishes:
    """Wishes whose supply is limited to what their plan can draw, where that is less."""
    if wishes.supply is None:
        return wishes
    plan = wishes.plan or make_plan(boat.spec, short=wishes.short, seed=wishes.seed, supply=True)
    setting = wishes.supply.setting
    need = need_of(boat.spec, plan, boat.profile, setting.volts)
    return replace(wishes, plan=plan, supply=replace(wishes.supply, setting=limited(setting, need)))


def _supplied(link: Link, wish: SupplyWish, boat: Boat, clock: Clock, stop: StopFlag) -> SuppliedLink:
    dialect = load_dialect(wish.dialect)
    return SuppliedLink(
        link, lambda: open_supply(wish.port, dialect, clock), wish.setting, tuple(boat.spec.boxes), clock,
        stop.set,
    )  # fmt: skip


def run_on(
    boat: Boat, link: Link, clock: Clock, wishes: Wishes, *, adapter: str, stop: StopFlag | None = None,
    progress: Progress = no_progress,
) -> RunResult:  # fmt: skip
    """A run on a link that is not opened yet. `adapter`: its text, by which a guard can open it.

    Raises: as `run_link`; InternalError when a guard is wished for without a session.
    """
    if wishes.guard and wishes.out is None:
        raise InternalError("a guard needs a session to read safe_off.json from")
    spec, definitions = boat.spec, boat.definitions
    model = Oracle(spec)
    switches = link.facts.switches_supply
    plan = wishes.plan or make_plan(spec, short=wishes.short, seed=wishes.seed, supply=switches)
    if wishes.operator is None:
        plan = without_person(plan)
    refuse_too_long(spec, plan, boat.profile)
    refuse_unmovable(plan, link.facts)
    definitions.forget()
    assessor = Assessor(spec, definitions, model, profile=boat.profile, not_tested=plan.not_tested)
    limits = limits_of(boat.profile)
    off = build(spec, definitions, model.off_words(), adapter, first=limits)
    if wishes.supply is not None:
        off = replace(off, supply=(wishes.supply.port, wishes.supply.dialect))
    link.open()  # before there is a session: a missing port leaves no folder behind
    try:
        recorder = _recorder(boat, plan, link, clock, wishes)
    except HardstandError:
        link.close()
        raise
    stop = StopFlag() if stop is None else stop
    conductor = Conductor(
        spec, definitions, plan, link, clock, recorder, assessor, off, stop=stop,
        progress=progress, until_first=wishes.until_first, session=wishes.out, with_guard=wishes.guard,
        gate=wishes.gate, operator=wishes.operator, answer_within_s=wishes.answer_within_s,
        allowed=Allowed(limits, spec, model) if limits else None,
    )  # fmt: skip
    return conductor.run()


def _recorder(boat: Boat, plan: Plan, link: Link, clock: Clock, wishes: Wishes) -> Writes:
    if wishes.out is None:
        return Unrecorded()
    versions = {"hardstand": _own_version(), "python": sys.version.split()[0]}
    live = isinstance(clock, SystemClock)
    if live:  # a virtual run gives the same bytes every day
        versions["started"] = utc_text()
    head = header(boat.spec, plan, link.facts.name, wishes.facts, short=wishes.short, versions=versions)
    flush_ns = FLUSH_NS if live else VIRTUAL_FLUSH_NS
    recorder = Recorder(wishes.out, head, clock, flush_ns=flush_ns)
    write_copies(wishes.out, boat.spec, boat.definitions, plan, boat.profile_text)
    return recorder


def before_the_run(boat: Boat, *, guard: bool, switches_supply: bool) -> tuple[Complaint, ...]:
    """What would stay on if the run died, to be said before the first stimulus."""
    off = build(boat.spec, boat.definitions, Oracle(boat.spec).off_words(), "")
    said = [Complaint(text, severity="warning") for text in off.comes_on_later]
    if switches_supply:
        return tuple(said)
    stuck = would_stay_on(off)
    if stuck:
        text = f"no key switches these off on purpose: {', '.join(stuck)}"
        said.append(Complaint(text, severity="warning", advice="keep a hand on the supply's switch"))
    if not guard:
        text = "without a guard or a switched supply, whatever is on stays on if this run dies"
        said.append(Complaint(text, severity="warning", advice="keep a hand on the supply's switch"))
    return tuple(said)


def _own_version() -> str:
    try:
        return version("hardstand")
    except PackageNotFoundError:
        return "not installed"


@contextmanager
def _quiet_process() -> Iterator[None]:
    """No garbage collection pauses and quick thread switches while stamps matter."""
    interval_s, collects = sys.getswitchinterval(), gc.isenabled()
    gc.collect()
    gc.freeze()
    gc.disable()
    sys.setswitchinterval(FASTER_SWITCH_S)
    try:
        yield
    finally:
        sys.setswitchinterval(interval_s)
        gc.unfreeze()
        if collects:
            gc.enable()
