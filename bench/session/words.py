"""Eight characters at once: checks and conversions of text in 64-bit words, first character lowest.

A word holds eight bytes of text; every function works on whole arrays of them. The checks are exact:
a word passes only when each of its bytes is what it should be.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .columns import Bits64

U = np.uint64
HIGH = U(0x8080808080808080)
ZEROS = U(0x3030303030303030)  # eight characters "0"
_NIBBLES = U(0x0F0F0F0F0F0F0F0F)
_ONES = U(0x0101010101010101)
_PAIRS = U(0x00FF00FF00FF00FF)
_FOURS = U(0x0000FFFF0000FFFF)
_LOW = U(0xFFFFFFFF)
FIRST = np.array([(1 << 8 * k) - 1 for k in range(9)], U)  # the first k bytes of a word
FIRST_OF_TWO = np.array([((1 << 8 * min(k, 8)) - 1, (1 << 8 * max(k - 8, 0)) - 1) for k in range(17)], U)


def pattern(text: str) -> tuple[np.uint64, np.uint64]:
    """For `strays`: eight characters, `9` for any digit, everything else for itself."""
    expected = sum((0x30 if c == "9" else ord(c)) << 8 * k for k, c in enumerate(text))
    slack = sum((0x76 if c == "9" else 0x7F) << 8 * k for k, c in enumerate(text))
    return U(expected), U(slack)


def strays(digits: Bits64, slack: np.uint64) -> Bits64:
    """High bits where a byte is no digit value 0..9 (or not 0, where a fixed character was expected).

    `digits`: words exclusive-or the expected ones of `pattern`. A sum can carry into the next
    byte only out of a byte above 0x7F, and that byte is a stray itself.
    """
    return digits | (digits + slack)


def hex_strays(words: Bits64) -> Bits64:
    """High bits where a byte is no hex digit of either case; the other bits mean nothing.

    A byte above 0x7F is a stray, and only such a one carries into its neighbour.
    """
    letter = words | U(0x2020202020202020)
    more = letter + U(0x1919191919191919)  # high bit: beyond "f"
    letter += U(0x1F1F1F1F1F1F1F1F)  # at least "a"
    stray: Bits64 = np.invert(letter, out=letter)
    stray |= more
    digit = words ^ ZEROS
    digit += U(0x7676767676767676)  # no digit
    stray &= digit
    stray |= words
    return stray


def from_hex(words: Bits64) -> NDArray[np.uint8]:
    """Eight hex digits to four bytes in their order; words one after another."""
    other = words >> U(6)
    other &= _ONES  # letters
    v = words & _NIBBLES
    v += other
    other <<= U(3)
    v += other
    np.right_shift(v, U(8), out=other)
    v <<= U(4)
    v |= other
    return v.astype("<u8", copy=False).view("<u2").astype(np.uint8)


def from_decimal(digits: Bits64) -> Bits64:
    """Eight digit values, the first one most significant, to their number."""
    v = (digits * U(10) + (digits >> U(8))) & _PAIRS
    v = (v * U(100) + (v >> U(16))) & _FOURS
    return (v * U(10000) + (v >> U(32))) & _LOW
