"""Serial-line CAN text: our side, the adapter's side, each against the other and against python-can."""

import can
import pytest
from can.interfaces.slcan import slcanBus
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.core.frame import Frame
from bench.lab.slcan_server import Outgoing, SlcanAdapter
from bench.link.slcan_codec import (
    BITRATE_CODES,
    Decoder,
    Done,
    Garbage,
    Received,
    Refusal,
    Reply,
    decode_line,
    encode_frame,
    full_frames,
)

PROPERTY = settings(max_examples=150, deadline=None, derandomize=True)


@st.composite
def bus_frames(draw):
    extended = draw(st.booleans())
    can_id = draw(st.integers(0, 0x1FFFFFFF if extended else 0x7FF))
    if draw(st.integers(0, 4)) == 0:
        return Frame(0, can_id, b"", extended, remote=True, dlc=draw(st.none() | st.integers(1, 8)))
    return Frame(draw(st.integers(0, 10**15)), can_id, draw(st.binary(max_size=8)), extended)


def item_of(frame, device_ms=None):
    return Received(frame.can_id, frame.data, frame.extended, frame.remote, frame.dlc, device_ms)


@PROPERTY
@given(
    st.lists(bus_frames(), max_size=20), st.booleans(), st.lists(st.integers(1, 40), min_size=1, max_size=10)
)
def test_what_the_adapter_shows_is_decoded_whatever_the_cuts(frames, stamps, sizes):
    adapter = SlcanAdapter()
    adapter.feed(b"Z1\rO\r" if stamps else b"O\r")
    text = b"".join(map(adapter.show, frames))
    decoder, items, n = Decoder(), [], 0
    while text:
        size, n = sizes[n % len(sizes)], n + 1
        items += decoder.feed(text[:size])
        text = text[size:]
    expected_ms = [f.t_ns // 1_000_000 % 60_000 if stamps else None for f in frames]
    assert items == [item_of(f, ms) for f, ms in zip(frames, expected_ms, strict=True)]


FULL_LINES = st.builds(
    lambda can_id, data: encode_frame(can_id, data),
    st.integers(0, 0x1FFFFFFF),
    st.binary(min_size=8, max_size=8),
)
OTHER_LINES = st.sampled_from(
    [b"z\r", b"\r", b"\x07", b"t1230\r", b"T0000000180000000000000000ABCD\r", b"V1013\r"]
)


@PROPERTY
@given(
    st.lists(FULL_LINES | OTHER_LINES | st.binary(max_size=40), max_size=20),
    st.lists(st.integers(1, 90), min_size=1, max_size=10),
)
def test_full_frames_read_in_bulk_are_those_read_one_by_one(pieces, sizes):
    text, bulk, single = b"".join(pieces), Decoder(), Decoder()
    together, apart, n = [], [], 0
    while text:
        chunk, text = text[: sizes[n % len(sizes)]], text[sizes[n % len(sizes)] :]
        n += 1
        full, other = bulk.split(chunk)
        together += [Received(can_id, data, True) for can_id, data in full_frames(full)] + bulk.feed(other)
        apart += single.feed(chunk)
    assert together == apart


def test_most_of_a_busy_bus_is_read_in_bulk():
    lines = b"".join(encode_frame(0x18FF2021 + n, bytes(8)) for n in range(4))
    assert Decoder().split(lines + b"T18FF") == (lines, b"T18FF")


@PROPERTY
@given(bus_frames())
def test_what_we_encode_the_adapter_understands(frame):
    adapter = SlcanAdapter()
    adapter.feed(b"O\r")
    options = {"extended": frame.extended, "remote": frame.remote, "dlc": frame.dlc or 0}
    answer, (sent,) = adapter.feed(encode_frame(frame.can_id, frame.data, **options))
    assert sent == (frame.can_id, frame.data, frame.extended, frame.remote, frame.dlc or 0)
    assert answer == (b"Z\r" if frame.extended else b"z\r")


@settings(max_examples=200, deadline=None, derandomize=True)
@given(
    st.lists(
        st.binary(max_size=90) | st.sampled_from([b"\r", b"\x07", b"T", b"t1230\r", b"z\r"]), max_size=12
    )
)
def test_arbitrary_bytes_never_raise_and_a_good_line_after_the_next_end_is_read(pieces):
    decoder = Decoder()
    items = [item for piece in pieces for item in decoder.feed(piece)]
    items += decoder.feed(b"\x07")
    assert items[-1] == Refusal()
    assert all(isinstance(i, Received | Done | Refusal | Reply | Garbage) for i in items)
    assert all(len(i.data) <= 64 for i in items if isinstance(i, Garbage))
    assert decoder.feed(b"T18FF20212AB01\r") == [Received(0x18FF2021, b"\xab\x01", True)]


@PROPERTY
@given(st.binary(max_size=200), st.integers(0, 200))
def test_cuts_between_reads_change_nothing(data, at):
    whole, cut = Decoder(), Decoder()
    kinds = [type(i) for i in whole.feed(data + b"\r")]
    assert [type(i) for i in cut.feed(data[:at]) + cut.feed(data[at:] + b"\r")] == kinds


LINES = {
    b"": Done(""),
    b"z": Done("z"),
    b"Z": Done("Z"),
    b"V1013": Reply("V1013"),
    b"NA123": Reply("NA123"),
    b"F00": Reply("F00"),
    b"t12321122": Received(0x123, b"\x11\x22", False),
    b"t1232112203E8": Received(0x123, b"\x11\x22", False, device_ms=1000),
    b"T18ff20211aB": Received(0x18FF2021, b"\xab", True),
    b"r1238": Received(0x123, b"", False, True, 8),
    b"R18FF20210": Received(0x18FF2021, b"", True, True),
    b"R18FF20218EA5F": Received(0x18FF2021, b"", True, True, 8, 59999),
    b"t1239112233445566778899": Garbage(b"t1239112233445566778899"),
    b"t8000": Garbage(b"t8000"),
    b"T200000000": Garbage(b"T200000000"),
    b"t1231": Garbage(b"t1231"),
    b"t123111x": Garbage(b"t123111x"),
    b"t12311122": Garbage(b"t12311122"),
    b"\xff": Garbage(b"\xff"),
    b"zz": Garbage(b"zz"),
}


@pytest.mark.parametrize("line", LINES, ids=repr)
def test_each_line_means_one_thing(line):
    """Source: LAWICEL protocol as in python-can 4.6.1; trailing stamps from memory."""
    assert decode_line(line) == LINES[line]


def test_a_bell_inside_a_line_ends_it_and_counts():
    assert Decoder().feed(b"T18FF\x07t1230\r") == [Garbage(b"T18FF"), Refusal(), Received(0x123, b"", False)]


def test_a_line_without_end_is_one_garbage_and_no_memory():
    decoder = Decoder()
    items = [i for _ in range(1000) for i in decoder.feed(b"x" * 1000)]
    assert items == [Garbage(b"x" * 64)]
    assert decoder.feed(b"yy\rt1230\r") == [Received(0x123, b"", False)]


@pytest.mark.parametrize(
    ("args", "options"),
    [
        ((0x800, b""), {"extended": False}),
        ((1 << 29, b""), {}),
        ((1, bytes(9)), {}),
        ((1, b"x"), {"remote": True}),
    ],
)
def test_what_the_protocol_cannot_say_is_refused(args, options):
    with pytest.raises(ValueError, match=r"above|no classic frame"):
        encode_frame(*args, **options)


def test_bitrate_codes_are_those_of_python_can_but_for_the_ambiguous_ones():
    """Source: python-can 4.6.1 slcanBus._BITRATES; S7 is 750 kbit/s there and 800 in can-utils
    slcan_attach.c, S9 is python-can's alone."""
    theirs = dict(slcanBus._BITRATES)
    assert theirs.pop(750_000) == "S7"
    assert theirs.pop(83_300) == "S9"
    assert theirs == BITRATE_CODES


class Wire:
    """A serial port for python-can: what it writes is kept, what it reads is given."""

    def __init__(self, to_read=b""):
        self.written, self.to_read = b"", to_read
        self.write_timeout = self.timeout = None

    @property
    def in_waiting(self):
        return len(self.to_read)

    def write(self, data):
        self.written += data

    def read(self, count):
        head, self.to_read = self.to_read[:count], self.to_read[count:]
        return head

    def flush(self):
        pass

    def close(self):
        pass


def python_can(monkeypatch, wire):
    monkeypatch.setattr("serial.serial_for_url", lambda *args, **options: wire)
    return slcanBus("COM1", bitrate=250_000, sleep_after_open=0)


def test_our_commands_are_those_of_python_can(monkeypatch):
    """Source: python-can 4.6.1 slcanBus.send."""
    wire = Wire()
    with python_can(monkeypatch, wire) as bus:
        for frame in (
            Frame(0, 0x123, b"\x0a"),
            Frame(0, 0x7FF, bytes(8), False),
            Frame(0, 1, b"", remote=True, dlc=3),
        ):
            wire.written = b""
            bus.send(
                can.Message(
                    arbitration_id=frame.can_id,
                    data=None if frame.remote else frame.data,
                    is_extended_id=frame.extended,
                    is_remote_frame=frame.remote,
                    dlc=frame.dlc,
                )
            )
            options = {"extended": frame.extended, "remote": frame.remote, "dlc": frame.dlc or 0}
            assert wire.written == encode_frame(frame.can_id, frame.data, **options)


@PROPERTY
@given(st.lists(bus_frames(), min_size=1, max_size=10))
def test_python_can_reads_what_our_adapter_shows(frames):
    """Source: python-can 4.6.1 slcanBus._recv_internal."""
    adapter = SlcanAdapter()
    adapter.feed(b"O\r")
    wire = Wire(b"".join(map(adapter.show, frames)))
    with pytest.MonkeyPatch.context() as patch, python_can(patch, wire) as bus:
        for frame in frames:
            m = bus.recv(0)
            assert (m.arbitration_id, m.is_extended_id, m.is_remote_frame) == (
                frame.can_id,
                frame.extended,
                frame.remote,
            )
            assert m.dlc == (frame.dlc or 0 if frame.remote else len(frame.data))
            assert frame.remote or bytes(m.data) == frame.data


SESSION = [
    (b"\r", b"\r"),
    (b"V\r", b"V1013\r"),
    (b"N\r", b"NA001\r"),
    (b"C\r", b"\x07"),
    (b"t1230\r", b"\x07"),
    (b"S5\r", b"\r"),
    (b"S9\r", b"\x07"),
    (b"Z1\r", b"\r"),
    (b"Z0\r", b"\r"),
    (b"F\r", b"\x07"),
    (b"O\r", b"\r"),
    (b"O\r", b"\x07"),
    (b"S5\r", b"\x07"),
    (b"F\r", b"F00\r"),
    (b"t1230\r", b"z\r"),
    (b"T18FF20212AB01\r", b"Z\r"),
    (b"r1238\r", b"z\r"),
    (b"t1231\r", b"\x07"),
    (b"\xff\r", b"\x07"),
    (b"C\r", b"\r"),
    (b"L\r", b"\r"),
    (b"t1230\r", b"\x07"),
]


def test_the_adapter_answers_a_whole_session():
    """Source: LAWICEL protocol as in python-can 4.6.1; what is refused when open or closed from memory."""
    adapter = SlcanAdapter()
    assert [(asked, adapter.feed(asked)[0]) for asked, _ in SESSION] == SESSION
    assert adapter.bitrate_code == 5


def test_nothing_is_shown_while_the_channel_is_closed():
    adapter = SlcanAdapter()
    assert adapter.show(Frame(0, 1, b"")) == b""
    adapter.feed(b"O\r")
    assert adapter.show(Frame(0, 1, b"")) == b"T000000010\r"
    adapter.feed(b"C\r")
    assert adapter.show(Frame(0, 1, b"")) == b""


@PROPERTY
@given(st.binary(max_size=300))
def test_the_adapter_survives_arbitrary_bytes(data):
    adapter = SlcanAdapter()
    adapter.feed(data)
    adapter.feed(b"\r")
    assert adapter.feed(b"V\r") == (b"V1013\r", [])


@PROPERTY
@given(st.lists(st.integers(1, 60), max_size=40), st.lists(st.integers(0, 80), max_size=60))
def test_outgoing_loses_whole_lines_or_none_of_them(lengths, takes):
    outgoing, given_out, kept = Outgoing(200), b"", []
    takes = iter(takes)
    for n, length in enumerate(lengths):
        line = bytes([n]) * length
        before = outgoing.lost
        outgoing.add(line)
        if outgoing.lost == before:
            kept.append(line)
        count = min(next(takes, 0), len(outgoing.waiting()))
        given_out += outgoing.waiting()[:count]
        outgoing.taken(count)
    assert given_out + outgoing.waiting() == b"".join(kept)
    assert len(outgoing.waiting()) <= 200
