"""Recordings: write them, read them exactly, never guess."""

from typing import TYPE_CHECKING

from .candump import BadLineError, format_frame, parse_line
from .reader import Session, open_session
from .recorder import Recorder
from .walk import BadRecord

open = open_session

if TYPE_CHECKING:
    from .columns import Columns

__all__ = [
    "BadLineError",
    "BadRecord",
    "Columns",
    "Recorder",
    "Session",
    "format_frame",
    "open",
    "open_session",
    "parse_line",
]


def __getattr__(name: str) -> object:
    if name == "Columns":  # numpy is loaded only where columns are wanted
        from .columns import Columns

        return Columns
    raise AttributeError(name)
