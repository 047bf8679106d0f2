"""Recordings: write them, read them exactly, never guess."""

from .candump import BadLineError, format_frame, parse_line
from .reader import BadRecord, Session, open_session
from .recorder import Recorder

__all__ = ["BadLineError", "BadRecord", "Recorder", "Session", "format_frame", "open_session", "parse_line"]
