"""What the bench has beside the link: added to a plan as phases of their own."""

from __future__ import annotations

from bench.cli.attended import unloaded
from bench.core.link import Meter
from bench.core.plan import Plan
from bench.plan.low_supply import Rated, with_low_supply
from bench.plan.witness import with_witness
from bench.rig import LAG_MS, load_dialect
from bench.run.api import SupplyWish
from bench.run.limits import limits_of
from bench.spec.model import Spec
from bench.spec.profile import BenchProfile, SerialSupply


def with_rig(spec: Spec, plan: Plan, profile: BenchProfile | None, supply: SupplyWish | None) -> Plan:
    """`plan`, and then what this bench can do besides."""
    if supply is not None and supply.setting.meter is not None:
        plan = with_witness(spec, plan, supply.setting.meter, limits_of(profile), unloaded(spec, profile))
    known = profile.supply if profile is not None else None
    if supply is not None and isinstance(known, SerialSupply):
        rated = Rated(supply.setting.volts, known.least_v, known.most_v)
        plan = with_low_supply(spec, plan, rated, limits_of(profile))
    return plan


def meter_of(supply: SerialSupply) -> Meter | None:
    """What is stated of its readings, by the bench profile before its dialect. Raises: UsageError."""
    stated = load_dialect(supply.dialect).meter
    detects_a = supply.detects_a if supply.detects_a is not None else stated.detects_a if stated else None
    if detects_a is None:
        return None
    lag_ms = supply.lag_ms if supply.lag_ms is not None else stated.lag_ms if stated else LAG_MS
    return Meter(detects_a, lag_ms)
