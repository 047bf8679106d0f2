"""Our candump text against python-can's reader and writer (can/io/canutils.py, 4.6.1), on plain frames."""

import io
import warnings

import can
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.core.frame import Frame
from bench.session import format_frame, parse_line

PLAIN = st.builds(
    lambda us, extended, can_id, data, way: Frame(
        us * 1000, can_id & (0x1FFFFFFF if extended else 0x7FF), data, extended, way, "vcan3"
    ),
    st.integers(0, 2_000_000_000_000_000),
    st.booleans(),
    st.integers(0, 0x1FFFFFFF),
    st.binary(max_size=8),
    st.sampled_from("RT"),
)


def as_frame(message):
    """A python-can message as a Frame; its stamp is a float, exact to the microsecond here."""
    return Frame(
        round(message.timestamp * 1e6) * 1000,
        message.arbitration_id,
        bytes(message.data),
        message.is_extended_id,
        "R" if message.is_rx else "T",
        message.channel,
    )


@settings(max_examples=50, deadline=None, derandomize=True)
@given(st.lists(PLAIN, min_size=1, max_size=20))
def test_python_can_reads_what_we_write(frames):
    text = "".join(map(format_frame, frames))
    assert [as_frame(m) for m in can.CanutilsLogReader(io.StringIO(text))] == frames


@settings(max_examples=50, deadline=None, derandomize=True)
@given(st.lists(PLAIN, min_size=1, max_size=20))
def test_we_read_what_python_can_writes(frames):
    frames = sorted(frames)
    buffer = io.StringIO()
    buffer.close_really, buffer.close = buffer.close, lambda: None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        writer = can.CanutilsLogWriter(buffer)
    for f in frames:
        writer.on_message_received(
            can.Message(
                timestamp=f.t_ns / 1e9,
                arbitration_id=f.can_id,
                is_extended_id=f.extended,
                data=f.data,
                is_rx=f.direction == "R",
                channel=f.bus,
            )
        )
    lines = buffer.getvalue().encode().splitlines()
    assert [parse_line(line) for line in lines] == frames
