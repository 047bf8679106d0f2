"""From the word SPEC on a command line to everything that judging needs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from bench.cli.boats import spec_path
from bench.core.errors import Complaint, DefinitionError, SpecError
from bench.core.model import Model
from bench.core.plan import Plan
from bench.definitions import Definitions
from bench.spec.model import Spec


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


def load_for_check(word: str) -> tuple[list[Complaint], list[str]]:
    """Every finding about a spec, errors first, and what it promises (nothing when it cannot be read).

    Raises: UsageError when there is no such file.
    """
    from bench.rules import run_rules
    from bench.spec import load_spec, promises

    path = spec_path(word)
    try:
        loaded = load_spec(path)
    except SpecError as error:
        return _sorted(error.complaints), []
    findings = [*loaded.warnings, *run_rules(loaded.spec), *_definition_findings(loaded.spec, path.parent)]
    return _sorted(findings), list(promises(loaded.spec))


def _definition_findings(spec: Spec, base: Path) -> Sequence[Complaint]:
    from bench.definitions import load_definitions

    try:
        return load_definitions(spec, base).warnings
    except DefinitionError as error:
        return error.complaints


def _sorted(findings: Sequence[Complaint]) -> list[Complaint]:
    return sorted(findings, key=lambda c: (c.severity != "error", c.path, c.line or 0, c.column or 0))


def plan_for(spec: Spec, *, short: bool, supply: bool) -> Plan:
    """The plan that a run of this spec follows. `supply`: the bench can switch the supply."""
    from bench.plan import make_plan

    return make_plan(spec, short=short, supply=supply)
