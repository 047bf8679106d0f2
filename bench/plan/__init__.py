"""What the bench will do: plans, woven from scripts, and what they cover. Pure."""

from .agree import check_scenarios
from .make import make_plan

__all__ = ["check_scenarios", "make_plan"]
