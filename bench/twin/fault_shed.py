"""Defects of what a box does about a low supply: its table of limits with one thing wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from bench.twin.fault_tables import Apply, channel_at
from bench.twin.quirks import Quirks
from bench.twin.tables import BoxRow, Shed, Tables


def _changed(tables: Tables, box: BoxRow, shed: Shed) -> Tables:
    return replace(tables, boxes=tuple(replace(b, shed=shed) if b is box else b for b in tables.boxes))


def _of(tables: Tables, name: str) -> tuple[BoxRow, Shed]:
    for box in tables.boxes:
        if box.shed is not None and (box.name == name or name.startswith(f"{box.name} ")):
            return box, box.shed
    raise ValueError(f"{name!r} has no limits of its supply")


def _missing(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    box, shed = _of(tables, parts[0])
    c = channel_at(tables, parts[0])
    if c not in shed.channels:
        raise ValueError(f"{parts[0]!r} is not shed")
    return _changed(tables, box, replace(shed, channels=tuple(x for x in shed.channels if x != c)))


def _extra(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    box, shed = _of(tables, parts[0])
    return _changed(tables, box, replace(shed, channels=(*shed.channels, channel_at(tables, parts[0]))))


def _presses(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    box, shed = _of(tables, parts[0])
    other = "allowed" if shed.on_presses == "refused" else "refused"
    return _changed(tables, box, replace(shed, on_presses=other))


def _restores(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    box, shed = _of(tables, parts[0])
    return _changed(tables, box, replace(shed, restore=not shed.restore))


def _early(tables: Tables, quirks: Quirks, parts: Sequence[str]) -> Tables:
    box, shed = _of(tables, parts[0])
    return _changed(tables, box, replace(shed, for_ms=0.0))


SHED_FAULTS: dict[str, Apply] = {
    "shed_missing": _missing,
    "shed_extra": _extra,
    "shed_presses_flipped": _presses,
    "shed_restores_flipped": _restores,
    "shed_at_once": _early,
}
