"""CAN frame lengths and checksum against published figures; ids of facts.md section 1 in brackets."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.definitions.frame_length import (
    _bits,
    crc15,
    exact_bits,
    frame_bits,
    nominal_bits,
    worst_case_bits,
)

# ISO 11898-1 frame format; the same figures in linux-can/can-utils canframelen.c and linux/can/length.h
STANDARD = [47, 55, 63, 71, 79, 87, 95, 103, 111]  # CAN-01
EXTENDED = [67, 75, 83, 91, 99, 107, 115, 123, 131]  # CAN-02
# Davis, Burns, Bril, Lukkien 2007, Real-Time Systems 35:239-272, equations (1) to (3)
STANDARD_WORST = [55, 65, 75, 85, 95, 105, 115, 125, 135]  # CAN-04
EXTENDED_WORST = [80, 90, 100, 110, 120, 130, 140, 150, 160]  # CAN-05

# CAN-10: a bit-level model that agreed with the can-utils exact calculator on 20,000 random frames
VECTORS = [
    (0x000, "", False, 53, 6, 0x0000),
    (0x7FF, "", False, 50, 3, 0x272F),
    (0x123, "DEADBEEF", False, 81, 2, 0x4E6B),
    (0x014, "01", False, 58, 3, 0x7753),
    (0x010, "EE", False, 62, 7, None),
    (0x100, "0102030405060708", False, 122, 11, 0x5409),
    (0x000, "00" * 8, False, 127, 16, 0x145B),
    (0x7FF, "FF" * 8, False, 126, 15, 0x4C89),
    (0x555, "AA" * 8, False, 112, 1, 0x7DCE),
    (0x078, "3C" * 8, False, 131, 20, 0x1921),
    (0x00000000, "00" * 8, True, 150, 19, 0x3DAF),
    (0x1FFFFFFF, "FF" * 8, True, 149, 18, 0x1B69),
    (0x0CF00400, "FFFFFF6813FFFFFF", True, 145, 14, 0x1C40),
    (0x18FEF100, "00" * 8, True, 147, 16, 0x71B0),
    (0x18EF2700, "00" * 8, True, 147, 16, 0x15DC),
]


@pytest.mark.parametrize("n", range(9))
def test_nominal_lengths_are_the_standard_s(n):
    assert nominal_bits(n, extended=False) == STANDARD[n]
    assert nominal_bits(n, extended=True) == EXTENDED[n]


@pytest.mark.parametrize("n", range(9))
def test_worst_case_lengths_are_those_of_davis_and_others(n):
    assert worst_case_bits(n, extended=False) == STANDARD_WORST[n] == 55 + 10 * n
    assert worst_case_bits(n, extended=True) == EXTENDED_WORST[n] == 80 + 10 * n
    assert worst_case_bits(n, extended=False) - STANDARD[n] == (34 + 8 * n - 1) // 4  # CAN-03
    assert worst_case_bits(n, extended=True) - EXTENDED[n] == (54 + 8 * n - 1) // 4


def test_worst_case_of_eight_bytes_takes_540_us_at_250_kbit_s():  # CAN-06
    assert worst_case_bits(8, extended=False) / 250_000 == pytest.approx(0.000540)


def test_checksum_of_the_catalogue_s_text():  # CAN-07, CAN-08: CRC catalogue, CRC-15/CAN
    bits = [b >> k & 1 for b in b"123456789" for k in range(7, -1, -1)]
    assert crc15(bits) == 0x059E


@given(can_id=st.integers(0, 0x7FF), data=st.binary(max_size=8))
@settings(max_examples=50, deadline=None, derandomize=True)
def test_checksum_over_a_frame_and_its_checksum_is_zero(can_id, data):  # CAN-09: a cyclic code's residue
    bits = frame_bits(can_id, data, extended=False)
    assert crc15(bits + _bits(crc15(bits), 15)) == 0


@pytest.mark.parametrize(("can_id", "data", "extended", "total", "stuff", "crc"), VECTORS)
def test_exact_length_of_a_frame(can_id, data, extended, total, stuff, crc):
    got = exact_bits(can_id, bytes.fromhex(data), extended=extended)
    assert (got.total, got.stuff) == (total, stuff)
    assert crc is None or got.crc == crc


def test_remote_frame_has_no_data_whatever_its_length_code_says():  # CAN-10
    assert exact_bits(0x123, b"", extended=False, remote=True) == (48, 1, 0x1B9D)
    assert exact_bits(0x123, b"", extended=False, remote=True, remote_dlc=8) == (48, 1, 0x6F9A)


def test_most_stuff_bits_of_empty_standard_frames_is_six():  # CAN-11: exhaustive, recomputed
    assert max(exact_bits(i, b"", extended=False).stuff for i in range(0x800)) == 6


@given(can_id=st.integers(0, 0x1FFFFFFF), data=st.binary(max_size=8), extended=st.booleans())
@settings(max_examples=50, deadline=None, derandomize=True)
def test_exact_length_lies_between_nominal_and_worst(can_id, data, extended):
    can_id &= 0x1FFFFFFF if extended else 0x7FF
    total = exact_bits(can_id, data, extended=extended).total
    assert (
        nominal_bits(len(data), extended=extended) <= total <= worst_case_bits(len(data), extended=extended)
    )
