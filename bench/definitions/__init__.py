"""Message definitions: load and lint a DBC, bind its signals to a spec, decode and encode frames."""

from .definitions import Definitions, load_definitions
from .readings import BoundMessage, ControlEvent, KeyTemplate, RawField, Reading
from .sending import Beat, Sender

__all__ = [
    "Beat",
    "BoundMessage",
    "ControlEvent",
    "Definitions",
    "KeyTemplate",
    "RawField",
    "Reading",
    "Sender",
    "load_definitions",
]
