"""What the bench will do: plans, woven from scripts, and what they cover. Pure."""

from .make import make_plan

__all__ = ["make_plan"]
