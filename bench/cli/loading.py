"""From the word SPEC on a command line to everything that judging needs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from bench.cli.boats import spec_path
from bench.cli.parser import nearest
from bench.core.errors import Complaint, DefinitionError, SpecError, UsageError
from bench.core.model import Model
from bench.core.plan import Plan
from bench.definitions import Definitions
from bench.spec.model import Spec

if TYPE_CHECKING:
    from bench.plan.since import Compared
    from bench.spec.profile import BenchProfile


@dataclass(frozen=True, slots=True)
class Boat:
    """A spec that holds together with its definitions, and the model made of it."""

    path: Path
    spec: Spec
    definitions: Definitions
    model: Model
    warnings: tuple[Complaint, ...] = ()


def load_boat(word: str) -> Boat:
    """Raises: UsageError, SpecError, DefinitionError."""
    return load_boat_file(spec_path(word))


def load_boat_file(path: Path, *, shipped: bool = True) -> Boat:
    """`shipped`: definitions that are not beside it may be those of the package.

    Raises: SpecError, DefinitionError.
    """
    from bench.definitions import load_definitions
    from bench.oracle import Oracle
    from bench.spec import load_spec

    loaded = load_spec(path)
    return Boat(
        path,
        loaded.spec,
        load_definitions(loaded.spec, path.parent, shipped=shipped),
        Oracle(loaded.spec),
        tuple(loaded.warnings),
    )


def faults_of_spec(boat: Boat) -> list[Complaint]:
    """What `check` calls an error in a spec that can be run all the same, as warnings: the box is held to
    what is written."""
    from bench.rules import run_rules

    advice = f"the box is held to it as it is written; see: hardstand check {boat.path.name}"
    found = [c for c in run_rules(boat.spec) if c.severity == "error"]
    return [replace(c, severity="warning", advice=advice) for c in found]


def refuse_disagreed(boat: Boat) -> None:
    """Raises: SpecError where a scenario contradicts the rest of the spec."""
    from bench.plan import check_scenarios

    if found := check_scenarios(boat.spec):
        raise SpecError(found)


def bench_profile(
    word: str | None, spec: Spec, *, warns: bool = True
) -> tuple[BenchProfile | None, str | None]:
    """The bench profile of that file and its text. `warns`: of what it says that the spec does not have.

    Raises: SpecError, UsageError.
    """
    if word is None:
        return None, None
    from bench.cli.boats import existing_file
    from bench.cli.output import warn
    from bench.spec.profile import load_profile, match_profile

    path = existing_file(word, what="bench profile")
    profile = load_profile(path)
    if warns:
        warn(match_profile(profile, spec))
    return profile, path.read_text(encoding="utf-8")


def load_for_check(word: str, bitrate: int) -> tuple[list[Complaint], list[str]]:
    """Every finding about a spec, errors first, and what it promises (nothing when it cannot be read),
    with what its messages ask of a bus of `bitrate` bit/s.

    Raises: UsageError when there is no such file.
    """
    from bench.plan import check_scenarios
    from bench.rules import run_rules
    from bench.spec import load_spec, promises

    path = spec_path(word)
    try:
        loaded = load_spec(path)
    except SpecError as error:
        return _sorted(error.complaints), []
    found, bus = _with_definitions(loaded.spec, path.parent, bitrate)
    findings = [*loaded.warnings, *run_rules(loaded.spec), *check_scenarios(loaded.spec), *found]
    return _sorted(findings), [*promises(loaded.spec), *bus]


def _with_definitions(spec: Spec, base: Path, bitrate: int) -> tuple[list[Complaint], list[str]]:
    """What is wrong with the definitions or shows only with them, and their bus in words."""
    from bench.definitions import load_definitions
    from bench.rules.slow_bus import bus_words, check_bus

    try:
        definitions = load_definitions(spec, base)
    except DefinitionError as error:
        return list(error.complaints), []
    messages = definitions.messages()
    return [*definitions.warnings, *check_bus(spec, messages, bitrate)], [bus_words(messages, bitrate)]


def _sorted(findings: Sequence[Complaint]) -> list[Complaint]:
    return sorted(findings, key=lambda c: (c.severity != "error", c.path, c.line or 0, c.column or 0))


def plan_for(
    spec: Spec, *, short: bool, supply: bool, only: Sequence[str] = (), sequences: int = 1,
    company: bool = False, seconds: float | None = None, since: Compared | None = None,
) -> Plan:  # fmt: skip
    """The plan that a run of this spec follows. `supply`: the bench can switch the supply. `only`: circuits;
    `sequences`: of so many keys; `company`: as in make_plan; `seconds`: the most that it may last; `since`:
    what changed goes first.

    Raises: UsageError for a circuit that the spec does not have, or too few seconds.
    """
    from bench.plan import make_plan

    for other, given in (("--seconds", seconds is not None), ("--since", since is not None)):
        if short and given:
            raise UsageError(Complaint(f"--short and {other} do not go together", advice="name one of them"))
    for name in only:
        if name not in spec.circuits:
            text = f"--only {name}: the spec has no such circuit"
            raise UsageError(
                Complaint(text, expected=nearest(name, spec.circuits) or "a circuit of the spec")
            )
    return make_plan(
        spec, short=short, supply=supply, only=tuple(only), sequences=sequences, company=company,
        seconds=seconds, since=since,
    )  # fmt: skip
