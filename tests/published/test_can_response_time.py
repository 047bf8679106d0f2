"""Worst-case response times against published examples (facts.md CAN-12 to CAN-17).

Davis, Burns, Bril, Lukkien 2007 (three messages); Tindell and Burns 1994 (SAE benchmark). The sets are from
memory, as are the figures; they were reproduced by an event simulation apart from this code.
"""

import random

import pytest

from bench.definitions.frame_length import worst_case_bits
from bench.definitions.response_time import Stream, arbitration, response_times

MS = 1_000_000
SAE = [
    (1, 1000), (2, 5), (1, 5), (2, 5), (1, 5), (2, 5), (6, 10), (1, 10), (2, 10), (2, 10), (1, 100), (4, 100),
    (1, 100), (1, 100), (3, 1000), (1, 1000), (1, 1000),
]  # fmt: skip
SAE_125K_MS = [
    1.416, 2.016, 2.536, 3.136, 3.656, 4.256, 5.016, 8.376, 8.976, 9.576, 10.096, 19.096, 19.616, 20.136,
    28.976, 29.496,
]  # fmt: skip
SAE_250K_MS = [
    0.708, 1.008, 1.268, 1.568, 1.828, 2.128, 2.508, 2.768, 3.068, 3.368, 3.628, 3.968, 4.228, 4.488, 4.748,
    5.008, 5.008,
]  # fmt: skip


def sae(bitrate):
    bit_ns = 1_000_000_000 // bitrate
    streams = [
        Stream(str(17 - k), (k, 0, 0), worst_case_bits(n, extended=False) * bit_ns, period * MS)
        for k, (n, period) in enumerate(SAE)
    ]
    return [r.worst_ms for r in response_times(streams, bit_ns)]


def davis():
    return [
        Stream("A", (0, 0, 0), MS, 2_500_000),
        Stream("B", (1, 0, 0), MS, 3_500_000),
        Stream("C", (2, 0, 0), MS, 3_500_000),
    ]


def test_davis_example_misses_its_deadline_in_the_second_instance():
    a, b, c = response_times(davis(), 8_000, tail_bits=0)
    assert (a.worst_ms, b.worst_ms, c.worst_ms) == (2.0, 3.0, 3.5)
    assert c.each_ns == (3 * MS, 3_500_000)
    assert c.busy_ns == 7 * MS
    assert c.worst_ms > 3.25 >= b.worst_ms


def test_sae_benchmark_at_125_kbit_has_its_published_responses():
    """The seventeenth is left out: what is remembered of it differs by the three interframe bits."""
    assert sae(125_000)[:16] == pytest.approx(SAE_125K_MS)


def test_sae_benchmark_at_250_kbit_as_recomputed():
    assert sae(250_000) == pytest.approx(SAE_250K_MS)


def test_a_full_bus_has_no_bound():
    full = [Stream("high", (0, 0, 0), MS, MS), Stream("low", (1, 0, 0), MS, 10 * MS)]
    assert response_times(full, 4_000)[1].worst_ns is None


def test_short_identifiers_win_over_long_ones_with_the_same_beginning():
    """ISO 11898-1: SRR and IDE of a long frame are recessive."""
    ids = [(0x18FF2021, True), (0x63F, False), (0x18FC0000, True), (0x640, False)]
    ordered = sorted(ids, key=lambda i: arbitration(i[0], extended=i[1]))
    assert ordered == [(0x63F, False), (0x18FC0000, True), (0x18FF2021, True), (0x640, False)]


def simulated_worst_ns(streams, offsets, until_ns):
    """Longest observed response of each: the ready frame of highest priority goes, undisturbed."""
    coming = sorted(
        (t, s.priority, s)
        for s, offset in zip(streams, offsets, strict=True)
        for t in range(offset, until_ns, s.period_ns)
    )
    worst, ready, now_ns = dict.fromkeys((s.name for s in streams), 0), [], 0
    while coming or ready:
        while coming and coming[0][0] <= now_ns:
            ready.append(coming.pop(0))
        if not ready:
            now_ns = coming[0][0]
            continue
        first = min(ready, key=lambda r: (r[1], r[0]))
        ready.remove(first)
        now_ns += first[2].frame_ns
        worst[first[2].name] = max(worst[first[2].name], now_ns - first[0])
    return worst


def test_no_simulated_bus_takes_longer_than_the_bound():
    """Random sets of frames and offsets against an event simulation written apart."""
    chance = random.Random(7)
    for _ in range(30):
        streams = [
            Stream(str(k), (k, 0, 0), chance.randint(200, 640) * 1000, chance.choice([5, 7, 10, 20]) * MS)
            for k in range(6)
        ]
        bound = {r.name: r.worst_ns for r in response_times(streams, 4_000, tail_bits=0)}
        offsets = [chance.randint(0, 10 * MS) for _ in streams]
        seen = simulated_worst_ns(streams, offsets, 300 * MS)
        assert all(bound[name] is None or worst <= bound[name] for name, worst in seen.items())
        assert any(seen.values())
