"""Expectations and observations to deviations and discrepancies. Pure: no clock, no threads, no bus."""

from .judge import JUDGE_VERSION, Judge
from .rules import SignalRule

__all__ = ["JUDGE_VERSION", "Judge", "SignalRule"]
