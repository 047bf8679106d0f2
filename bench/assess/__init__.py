"""From entries to a verdict: decode, observe, step the model, judge. The one path, live and offline."""

from .assessor import Assessor
from .offline import assess_session

__all__ = ["Assessor", "assess_session"]
