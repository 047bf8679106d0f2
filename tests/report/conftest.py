"""A verdict with one of everything, made by hand."""

import pytest

from bench.core.verdict import FAIL, Deviation, Discrepancy, Doubt, Verdict
from bench.report import CAUTIONS, FrameLine, Material

S = 1_000_000_000


def _consequence(k):
    return Deviation(
        "lamp", "lamp:panel helm 5", "panel helm 5", 13 * S + k, "on", "off",
        "panel helm 5 pressed", 12_500_000_000, "panel helm 5", 14, 4330 + k,
    )  # fmt: skip


@pytest.fixture
def material():
    root = Deviation(
        "missing", "state:bilge_aft", "bilge_aft", 12_632_000_000, "on within 130 ms", "off in 14 reports",
        "panel helm 5 pressed (bilges)", 12_500_000_000, "panel helm 5", 14, 4321,
        "link proved alive, 0 dropped",
    )  # fmt: skip
    horn = Deviation("unexpected", "state:horn", "horn", 20 * S, "off", "on")
    verdict = Verdict(
        FAIL,
        (
            Discrepancy(1, "bilge_aft", root, tuple(_consequence(k) for k in range(12)), ("bilge_fwd",)),
            Discrepancy(2, "horn", horn),
        ),
        (Doubt(30 * S, "washdown", "inconclusive, because 3 frames were dropped by the adapter"),),
        "22 of 24 circuits, without by-hand and trip",
        {
            "bilge_aft": "on and off",
            "horn": "on while held",
            "deck_fwd": "on and off",
            "panel helm 5": "9 presses",
        },
        {"usb_outlets": "no load on this bench", "trip": "no fixture", "by hand": "no fixture"},
        {"bilge_aft": 0},
        {"state": "a delay of 145 ms or more"},
        123,
        "1",
    )
    frames = tuple(
        FrameLine(
            4315 + k,
            12_572_000_000 + k * 10_000_000,
            "T" if k == 1 else "R",
            "14FF2021#01FF",
            "states",
            k == 6,
        )
        for k in range(10)
    )
    return Material(
        "Kittiwake",
        verdict,
        10 * S,
        {"link": "virtual box, seed 7"},
        {"bilge_aft": "circuit", "horn": "circuit", "deck_fwd": "circuit", "panel helm 5": "control"},
        {1: frames},
        CAUTIONS,
    )
