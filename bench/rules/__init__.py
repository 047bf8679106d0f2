"""What `check` says about a spec beyond what the loader refuses: one file per rule, each with a page in
docs/rules. A rule is an error where a verdict or a life would be unsafe, else a warning."""

from __future__ import annotations

from collections.abc import Callable

from bench.core.errors import Complaint
from bench.spec.model import Spec

from . import (
    dead_option,
    dim_range,
    equal_positions,
    force_yields,
    fuse_above_wire,
    fuse_too_small,
    group_of_one,
    hold_too_short,
    inhibitor_with_target,
    navigation_lights,
    on_without_off,
    resolves_too_small,
    respond_too_short,
    rule_loop,
    same_source,
    swaps,
    thin_wire,
    trip_cleared_at_wake,
    trip_without_key,
    unreachable_channel,
    unsensed_by_hand,
    unused_function,
    voltage_drop,
)

__all__ = ["RULES", "Rule", "run_rules"]

Rule = Callable[[Spec], list[Complaint]]

_MODULES = (
    unreachable_channel,
    on_without_off,
    group_of_one,
    equal_positions,
    rule_loop,
    same_source,
    inhibitor_with_target,
    trip_without_key,
    trip_cleared_at_wake,
    force_yields,
    unsensed_by_hand,
    respond_too_short,
    resolves_too_small,
    hold_too_short,
    dim_range,
    swaps,
    fuse_too_small,
    fuse_above_wire,
    thin_wire,
    voltage_drop,
    navigation_lights,
    unused_function,
    dead_option,
)
RULES: dict[str, Rule] = {m.__name__.rpartition(".")[2]: m.check for m in _MODULES}


def run_rules(spec: Spec) -> list[Complaint]:
    """All findings about a spec that could be loaded, by line and column."""
    found = [complaint for rule in RULES.values() for complaint in rule(spec)]
    return sorted(found, key=lambda c: (c.line or 0, c.column or 0))
