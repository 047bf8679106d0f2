"""For whoever writes a link: the conformance kit it must pass, and a fake that passes it."""

from .fake_link import FakeLink
from .far_end import CannotPlayError, FarEnd, FarEndFactory, NotConformingError
from .kit import CHECKS

__all__ = ["CHECKS", "CannotPlayError", "FakeLink", "FarEnd", "FarEndFactory", "NotConformingError"]
