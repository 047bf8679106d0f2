"""From entries to a verdict: decode, observe, step the model, judge. The one path, live and offline."""

from .assessor import Assessor
from .joined import Joined, Recording
from .offline import WHOLE, Part, assess_session

__all__ = ["WHOLE", "Assessor", "Joined", "Part", "Recording", "assess_session"]
