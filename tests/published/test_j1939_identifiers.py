"""29-bit identifiers as SAE J1939-21 lays them out; ids of facts.md section 11 in brackets."""

import cantools
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.core.errors import DefinitionError
from bench.definitions import j1939
from bench.definitions.j1939 import Identifier, pack, unpack

EXAMPLES = [
    (0x0CF00400, Identifier(3, 0xF004, 0x00)),  # J19-03: engine controller 1, PGN 61444
    (0x18EF2700, Identifier(6, 0xEF00, 0x00, 0x27)),  # J19-04: proprietary A, PGN 61184
    (0x19EF2700, Identifier(6, 0x1EF00, 0x00, 0x27)),  # J19-05: proprietary A2, PGN 126720
]


@pytest.mark.parametrize(("can_id", "fields"), EXAMPLES)
def test_published_identifiers_unpack_and_pack(can_id, fields):
    assert unpack(can_id) == fields
    assert pack(fields) == can_id


@given(can_id=st.integers(0, 0x1FFFFFFF))
@settings(max_examples=100, deadline=None, derandomize=True)
def test_unpacking_agrees_with_cantools(can_id):  # J19-01, J19-02
    theirs = cantools.j1939.frame_id_unpack(can_id)
    ours = unpack(can_id)
    assert ours.priority == theirs.priority
    assert ours.source == theirs.source_address
    is_pdu2 = theirs.pdu_format >= 240
    assert ours.destination == (None if is_pdu2 else theirs.pdu_specific)
    assert ours.pgn == cantools.j1939.pgn_pack(
        theirs.reserved, theirs.data_page, theirs.pdu_format, theirs.pdu_specific if is_pdu2 else 0
    )
    assert pack(ours) == can_id


def test_pdu_format_239_addresses_a_destination_and_240_does_not():  # J19-02
    assert not j1939.is_broadcast(0xEF00)
    assert j1939.is_broadcast(0xF000)


def test_proprietary_ranges():  # J19-06
    inside = [0xEF00, 0x1EF00, 0xFF00, 0xFFFF, 0x1FF00, 0x1FFFF]
    outside = [0xEE00, 0xFEFF, 0x10000, 0x1FEFF, 0xF004]
    assert [p for p in inside if not j1939.is_proprietary(p)] == []
    assert [p for p in outside if j1939.is_proprietary(p)] == []
    assert (min(j1939.PROPRIETARY_B), max(j1939.PROPRIETARY_B)) == (65280, 65535)
    assert (min(j1939.PROPRIETARY_B_PAGE_1), max(j1939.PROPRIETARY_B_PAGE_1)) == (130816, 131071)


def test_addresses_with_a_meaning():  # J19-07: uapi/linux/can/j1939.h
    assert (j1939.MAX_UNICAST_ADDRESS, j1939.IDLE_ADDRESS, j1939.GLOBAL_ADDRESS) == (0xFD, 0xFE, 0xFF)


@pytest.mark.parametrize(
    ("fields", "text"),
    [
        (Identifier(3, 0xFF10, 0x41, 0x21), "a broadcast: it has no destination"),
        (Identifier(3, 0xEF00, 0x41), "needs a destination address"),
        (Identifier(3, 0xEF12, 0x41, 0x21), "its low byte must be 0"),
        (Identifier(8, 0xFF10, 0x41), "priority is 0x8"),
    ],
)
def test_impossible_fields_are_refused(fields, text):
    with pytest.raises(DefinitionError, match=text):
        pack(fields)
