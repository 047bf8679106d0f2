"""Reading and writing of every signal shape against cantools, the reference library for DBC files.

Random messages go through our own path: DBC text, lint, load, Field, Observer, Page.
"""

from itertools import count

import cantools
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.core.frame import Frame
from bench.definitions.bind_reports import ReportBinder
from bench.definitions.binding import Rule
from bench.definitions.controls import put
from bench.definitions.load_dbc import load_database
from bench.definitions.observers import Observer, Page, Switch, bit_places, little_mask
from bench.definitions.sheet import Part

SETTINGS = settings(max_examples=80, deadline=None, derandomize=True)
SCALES = ["1", "0.4", "0.05", "2.5", "-1", "-0.1", "100", "0.001"]
OFFSETS = ["0", "-40", "100", "0.5", "-1000"]
NUMBERS = count()


def bits_of(start, size, big):
    """Bit positions, bit 0 of byte 0 first; None when the signal leaves the 8 bytes."""
    if not big:
        return set(range(start, start + size)) if start + size <= 64 else None
    first = start // 8 * 8 + 7 - start % 8
    return {k // 8 * 8 + 7 - k % 8 for k in range(first, first + size)} if first + size <= 64 else None


@st.composite
def shapes(draw, taken=frozenset()):
    """Signals that do not overlap each other or `taken`: (start, size, big, signed, scale, offset)."""
    used, found = set(taken), []
    for _ in range(draw(st.integers(1, 8))):
        size = draw(st.one_of(st.integers(1, 16), st.integers(1, 64)))
        start, big = draw(st.integers(0, 63)), draw(st.booleans())
        bits = bits_of(start, size, big)
        if bits is None or bits & used:
            continue
        used |= bits
        found.append(
            (
                start,
                size,
                big,
                draw(st.booleans()),
                draw(st.sampled_from(SCALES)),
                draw(st.sampled_from(OFFSETS)),
            )
        )
    return found or ([(56, 8, False, False, "1", "0")] if not taken & set(range(56, 64)) else [])


def line(name, shape, mux=""):
    start, size, big, signed, scale, offset = shape
    place = f"{start}|{size}@{int(not big)}{'-' if signed else '+'}"
    return f' SG_ {name} {mux}: {place} ({scale},{offset}) [0|0] "" R'


def text_of(lines):
    return "\n".join(
        ['VERSION ""', "", "NS_ :", "", "BS_:", "", "BU_: S R", "", "BO_ 2566849278 M: 8 S", *lines, ""]
    )


def loaded(folder, text):
    path = folder / f"{next(NUMBERS)}.dbc"
    path.write_text(text, encoding="utf-8")
    return load_database(path).messages["M"], cantools.database.load_string(text, "dbc").messages[0]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("random")


@pytest.mark.slow
@given(found=shapes(), payloads=st.lists(st.binary(min_size=8, max_size=8), min_size=1, max_size=5))
@SETTINGS
def test_any_signal_reads_as_cantools_reads_it(folder, found, payloads):
    ours, theirs = loaded(folder, text_of([line(f"S{k}", s) for k, s in enumerate(found)]))
    rule = Rule(Part("", 0, 0), ())
    page = Page("M", "n", 8, [Observer(f"level:{n}", f, rule) for n, f in ours.fields.items()], [], [])
    for data in payloads:
        raw = theirs.decode(data, decode_choices=False, scaling=False)
        scaled = theirs.decode(data, decode_choices=False)
        assert {n: f.take(data) for n, f in ours.fields.items()} == raw
        reading = page.read(Frame(0, 0, data))
        assert {o.signal: o.raw for o in reading.observations} == {f"level:{n}": v for n, v in raw.items()}
        for o in reading.observations:
            assert o.value == pytest.approx(scaled[o.signal.removeprefix("level:")], rel=1e-12, abs=1e-9)


@pytest.mark.slow
@given(found=shapes(), data=st.data())
@SETTINGS
def test_any_signal_is_written_as_cantools_writes_it(folder, found, data):
    ours, theirs = loaded(folder, text_of([line(f"S{k}", s) for k, s in enumerate(found)]))
    raws = {n: data.draw(st.integers(*f.raw_limits()), label=n) for n, f in ours.fields.items()}
    payload = bytes(8)
    for n, f in ours.fields.items():
        payload = put(payload, f, raws[n])
    assert payload == theirs.encode(raws, scaling=False, strict=False)
    for n, f in ours.fields.items():
        assert f.take(payload) == raws[n]


@pytest.mark.slow
@given(found=shapes())
@SETTINGS
def test_bit_places_name_the_bits_that_cantools_sets(folder, found):
    ours, theirs = loaded(folder, text_of([line(f"S{k}", s) for k, s in enumerate(found)]))
    for n, f in ours.fields.items():
        ones = -1 if f.signed else f.mask
        whole = theirs.encode({m: ones if m == n else 0 for m in ours.fields}, scaling=False, strict=False)
        assert sum(1 << b for b in bit_places(f, 8)) == little_mask(f, 8) == int.from_bytes(whole, "little")
        top = theirs.encode(
            {m: (f.raw_limits()[0] if f.signed else 1 << (f.size - 1)) if m == n else 0 for m in ours.fields},
            scaling=False, strict=False,
        )  # fmt: skip
        assert int.from_bytes(top, "little") == 1 << bit_places(f, 8)[0]


@pytest.mark.slow
@given(
    plain=shapes(taken=frozenset(range(8))),
    pages=st.dictionaries(st.integers(0, 255), shapes(taken=frozenset(range(32))), min_size=1, max_size=4),
    payloads=st.lists(st.binary(min_size=7, max_size=7), min_size=1, max_size=4),
    others=st.integers(0, 255),
)
@SETTINGS
def test_multiplexed_messages_read_as_cantools_reads_them(folder, plain, pages, payloads, others):
    plain = [s for s in plain if bits_of(*s[:3]) <= set(range(32))]
    pages = {p: found for p, found in pages.items() if found}
    if not pages:
        pages = {7: [(40, 8, False, False, "1", "0")]}
    lines = [line("Page", (0, 8, False, False, "1", "0"), "M ")]
    lines += [line(f"P{k}", s) for k, s in enumerate(plain)]
    lines += [line(f"S{p}x{k}", s, f"m{p} ") for p, found in pages.items() for k, s in enumerate(found)]
    ours, theirs = loaded(folder, text_of(lines))
    reader = reader_of(ours)
    for tail in payloads:
        for page in {*pages, others}:
            data = bytes([page]) + tail
            reading = reader.read(Frame(0, 0, data))
            if page not in pages:
                assert reading.undecodable.kind == "mux"
                assert f"Page is {page}" in reading.undecodable.reason
                continue
            raw = theirs.decode(data, decode_choices=False, scaling=False)
            raw.pop("Page")
            assert {o.signal: o.raw for o in reading.observations} == {
                f"level:{n}": v for n, v in raw.items()
            }


class Said:
    """Stands in for the binding's complaints."""

    def __init__(self):
        self.binding = self
        self.sheet = self
        self.counter_pages = None
        self.root = Part("", 0, 0)
        self.texts = []

    def say(self, name, text, *, advice="", expected=""):
        self.texts.append(text)


def reader_of(message, said=None):
    """A Switch made as the binder makes it, over every signal of a message that is no selector."""
    binder = ReportBinder.__new__(ReportBinder)
    binder.names = said or Said()
    binder.binding = binder.names
    binder.box = type("Box", (), {"name": "n", "frames_ms": {}})
    binder.bound = type("Bound", (), {"pages": []})
    binder._identity_reader = None
    rule = Rule(Part("", 0, 0), ())
    items = [((f,), Observer(f"level:{n}", f, rule), False) for n, f in message.fields.items() if n != "Page"]
    reader = binder._pages(message, "M", items, (), (0, 0))
    assert isinstance(reader, Switch)
    return reader


NESTED = [
    ' SG_ Page M : 0|4@1+ (1,0) [0|0] "" R',
    ' SG_ Deep m1M : 4|4@1+ (1,0) [0|0] "" R',
    ' SG_ A m0 : 8|16@1- (1,0) [0|0] "" R',
    ' SG_ B m2 : 8|8@1+ (1,0) [0|0] "" R',
    ' SG_ C m5 : 8|12@1+ (1,0) [0|0] "" R',
    ' SG_ D : 56|8@1+ (1,0) [0|0] "" R',
    "",
    "SG_MUL_VAL_ 2566849278 Deep Page 1-1;",
    "SG_MUL_VAL_ 2566849278 A Page 0-0, 3-3;",
    "SG_MUL_VAL_ 2566849278 B Deep 2-2;",
    "SG_MUL_VAL_ 2566849278 C Deep 5-6;",
]


@pytest.mark.slow
def test_multiplexer_inside_a_multiplexer_reads_as_cantools_reads_it(folder):
    ours, theirs = loaded(folder, text_of(NESTED))
    reader = reader_of(ours)
    read = 0
    for first in range(256):
        data = bytes([first, 0x12, 0xF3, 4, 5, 6, 7, 8])
        reading = reader.read(Frame(0, 0, data))
        try:
            raw = theirs.decode(data, decode_choices=False, scaling=False)
        except cantools.database.DecodeError:
            assert reading.undecodable.kind == "mux"
            continue
        read += 1
        raw.pop("Page")
        assert {o.signal: o.raw for o in reading.observations} == {f"level:{n}": v for n, v in raw.items()}
    assert read == 16 * 2 + 3  # pages 0 and 3 whatever Deep is; page 1 with Deep 2, 5 and 6
    assert reader.read(Frame(0, 0, bytes([0x51, *range(7)]))).message == "M page 1.5"


def test_multiplexers_side_by_side_are_refused(folder):
    lines = [
        ' SG_ Page M : 0|4@1+ (1,0) [0|0] "" R',
        ' SG_ Side M : 4|4@1+ (1,0) [0|0] "" R',
        ' SG_ A m0 : 8|16@1- (1,0) [0|0] "" R',
        ' SG_ B m2 : 32|8@1+ (1,0) [0|0] "" R',
        "",
        "SG_MUL_VAL_ 2566849278 A Page 0-0;",
        "SG_MUL_VAL_ 2566849278 B Side 2-2;",
    ]
    said = Said()
    reader_of(loaded(folder, text_of(lines))[0], said)
    assert said.texts == ["M.Page and Side choose pages side by side"]
