"""Recordings in the formats that python-can reads, with what that reader loses on the way."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from bench.core.errors import Complaint, UsageError
from bench.core.frame import RX, TX, Frame

from .columns import from_frames
from .convert import Stream
from .scan import Block

ROWS = 1 << 15
LOSES = (
    "read through python-can: stamps came as floating-point seconds and were rounded to microseconds, raw "
    "length codes and flags of FD that it does not know are lost, and lines it could not read went unnoticed"
)


def read_foreign(path: Path) -> Stream:
    """The frames as python-can gives them out. Raises: UsageError when it cannot open the file."""
    import can

    reason = ""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a reader that fails leaves its file open
        try:
            reader: Any = can.LogReader(path)
        except Exception as e:  # each of its formats has its own
            reason = str(e) or type(e).__name__
    if reason:
        raise UsageError(Complaint(f"python-can cannot open it: {reason}", str(path)))
    return Stream(_blocks(reader, path), True, [LOSES])


def _blocks(reader: Any, path: Path) -> Iterator[Block]:  # noqa: ANN401 - python-can has no common type
    frames: list[Frame] = []
    buses: tuple[str, ...] = ()
    first = 0
    messages = iter(reader)
    try:
        while True:
            try:
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")
                    message = next(messages)
            except StopIteration:
                break
            except Exception as e:  # a traceback helps nobody; the place does
                text = f"python-can stopped after {first + len(frames)} frames: {e}"
                raise UsageError(Complaint(text, str(path))) from e
            frames.append(frame_of(message))
            if len(frames) == ROWS:
                columns = from_frames(frames, buses, first)
                yield Block(columns, [])
                buses, first, frames = columns.buses, first + ROWS, []
    finally:
        reader.stop()
    if not first and not frames:
        raise UsageError(Complaint("the recording is empty: it holds no frame", str(path)))
    yield Block(from_frames(frames, buses, first), [])


def frame_of(message: Any) -> Frame:  # noqa: ANN401
    """One message of python-can as a frame."""
    t_ns = round(message.timestamp * 1_000_000) * 1000
    channel = "can0" if message.channel is None else str(message.channel)
    bus = f"can{channel}" if channel.isdigit() else "".join(channel.split()) or "can0"
    error = bool(message.is_error_frame)
    remote = bool(message.is_remote_frame) and not error
    return Frame(
        t_ns,
        message.arbitration_id & (0x1FFFFFFF if message.is_extended_id or error else 0x7FF),
        b"" if remote else bytes(message.data),
        bool(message.is_extended_id) or error,
        RX if message.is_rx else TX,
        bus,
        remote,
        error,
        message.bitrate_switch + 2 * message.error_state_indicator if message.is_fd and not error else None,
        (message.dlc or None) if remote else None,
    )
