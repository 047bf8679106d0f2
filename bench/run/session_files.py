"""What a session holds beside its recording: copies of everything it was judged by."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path

from bench.core.errors import BenchError
from bench.core.plan import Plan
from bench.definitions import Definitions
from bench.definitions.find import inside
from bench.spec.model import Spec

from .plan_file import plan_text

SPEC, PLAN, PROFILE = "spec.yaml", "plan.json", "bench.yaml"


def write_copies(
    folder: Path, spec: Spec, definitions: Definitions, plan: Plan, profile_text: str | None = None
) -> None:
    """Spec, definitions and bindings (under the names by which the spec calls them), plan, and the
    bench profile when there is one. Raises BenchError when the disk fails."""
    try:
        (folder / SPEC).write_text(spec.source, encoding="utf-8")
        (folder / PLAN).write_text(plan_text(plan), encoding="utf-8")
        if profile_text is not None:
            (folder / PROFILE).write_text(profile_text, encoding="utf-8")
        called = {n for b in spec.boxes.values() for n in (b.definitions, b.binding)}
        by_name = {Path(n).name: n for n in called}
        for path in map(Path, definitions.paths):
            target = folder / inside(by_name.get(path.name, path.name))
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, target)
    except OSError as e:
        raise BenchError(f"cannot write the session's copies: {e.strerror or e}") from e


def header(
    spec: Spec, plan: Plan, link: str, more: Mapping[str, object], *, short: bool, versions: Mapping[str, str]
) -> dict[str, object]:
    """What session.json says from the beginning. `more`: facts of the caller (seed, fault ...)."""
    return {
        "boat": spec.boat.name, "link": link, "plan": plan.title, "plan_seed": plan.seed, "short": short,
        "steps": len(plan.steps), "not_tested": dict(plan.not_tested), **versions, **more,
    }  # fmt: skip
